"""Ranking: the judgement of a session goes in, the queue of its takes comes out.

Ranks are kept from 1 without gaps: takes that the judge leaves out come last, equal ranks go by take name.
"""

import math
from typing import Any

from sqlalchemy import Connection, Label, bindparam, func, select, text, update

from triage.domain.errors import StoreError
from triage.domain.judgement import Judgement, TakeJudgement
from triage.store import tables
from triage.store.changes import bump
from triage.store.expectations import save_expected
from triage.store.session_features import save_features
from triage.store.spots import replace_spots, spots_among
from triage.store.stored import QueueEntry
from triage.store.takes import lock_session, take_ids

AT_ONCE = 20_000  # notes of a statement
SHOWN = ("instrument", "articulation", "dynamic", "doubt", "listen_s", "duration_s", "problem")
take, note = tables.take, tables.note


def save_judgement(db: Connection, session_id: int, judgement: Judgement) -> None:
    """Store spots, doubts and ranks of the whole session in place of those before, all or nothing."""
    with db.begin_nested():
        lock_session(db, session_id)
        ids = take_ids(db, session_id)
        _check(judgement, ids)
        table = tables.session
        db.execute(update(table).where(table.c.id == session_id).values(model=judgement.model))
        _save_takes(db, judgement, ids)
        _save_notes(db, session_id, judgement, ids)
        replace_spots(db, session_id, ids, judgement.spots)
        if judgement.features is not None:
            save_features(db, session_id, judgement.features)
        if judgement.expected is not None:
            save_expected(db, session_id, ids, judgement.expected)
        bump(db, session_id, "takes")


def queue(db: Connection, session_id: int, limit: int | None = None, offset: int = 0) -> tuple[QueueEntry, ...]:
    """Return the takes of the session with their spots, the first rank first; ``limit`` makes it a page."""
    of_session = take.c.session_id == session_id
    order = (take.c.rank.nulls_last(), take.c.name)
    page = select(take.c.id).where(of_session).order_by(*order).limit(limit).offset(offset)
    columns = [take.c[name] for name in SHOWN]
    query = select(take.c.name.label("take"), *columns, _last_verdict()).where(of_session).order_by(*order)
    rows = db.execute(query.limit(limit).offset(offset))
    spots = spots_among(db, page)
    return tuple(
        QueueEntry(rank=rank, spots=tuple(spots.get(row.take, ())), **row._mapping)
        for rank, row in enumerate(rows, start=offset + 1)
    )


def queue_length(db: Connection, session_id: int) -> int:
    """Return how many takes the session's queue has."""
    return db.scalar(select(func.count()).select_from(take).where(take.c.session_id == session_id)) or 0


def _last_verdict() -> Label[Any]:
    """Select the last standing verdict on the take as a whole; one on a note of it does not settle the take."""
    table = tables.verdict
    query = select(table.c.verdict).where(table.c.take_id == take.c.id, table.c.note.is_(None), table.c.stands)
    return query.order_by(table.c.id.desc()).limit(1).scalar_subquery().label("verdict")


def _check(judgement: Judgement, ids: dict[str, int]) -> None:
    named = {one.take for one in judgement.takes} | {one.take for one in judgement.notes}
    named |= {spot.take for spot in judgement.spots}
    if unknown := sorted(named - set(ids)):
        raise StoreError(f"judged take {unknown[0]!r} is not in the session; store it with save_take first")


def _save_takes(db: Connection, judgement: Judgement, ids: dict[str, int]) -> None:
    by_name = {name: TakeJudgement(name, None, None, None) for name in ids}
    by_name.update((judged.take, judged) for judged in judgement.takes)
    if not by_name:
        return

    def place(judged: TakeJudgement) -> tuple[float, str]:
        return (math.inf if judged.rank is None else judged.rank, judged.take)

    rows = [
        {
            "of": ids[judged.take],
            "doubt": judged.doubt,
            "listen_s": judged.listen_s,
            "rank": rank,
            "model": judgement.model,
            "learning_rank": judged.learning_rank,
        }
        for rank, judged in enumerate(sorted(by_name.values(), key=place), start=1)
    ]
    names = ("doubt", "listen_s", "rank", "model", "learning_rank")
    change: dict[str, Any] = {name: bindparam(name) for name in names}
    db.execute(update(take).where(take.c.id == bindparam("of")).values(change), rows)


def _save_notes(db: Connection, session_id: int, judgement: Judgement, ids: dict[str, int]) -> None:
    names = ("doubt", "reject_probability", "outlier")
    of_session = select(take.c.id).where(take.c.session_id == session_id)
    db.execute(update(note).where(note.c.take_id.in_(of_session)).values(dict.fromkeys(names)))
    if db.dialect.name == "postgresql":
        _save_notes_at_once(db, judgement, ids)
        return
    rows = [
        {"of": ids[one.take], "at": one.number} | {name: getattr(one, name) for name in names}
        for one in judgement.notes
    ]
    if rows:
        change: dict[str, Any] = {name: bindparam(name) for name in names}
        where = (note.c.take_id == bindparam("of"), note.c.number == bindparam("at"))
        db.execute(update(note).where(*where).values(change), rows)


def _save_notes_at_once(db: Connection, judgement: Judgement, ids: dict[str, int]) -> None:
    """Store the notes' doubts by one statement for thousands: with PostgreSQL every row by itself is a round trip."""
    kinds = {"a": "int", "b": "int", "c": "float8", "d": "float8", "e": "float8"}
    rows = f"unnest({', '.join(f'CAST(:{name} AS {kind}[])' for name, kind in kinds.items())})"
    change = text(
        f"UPDATE note SET doubt = v.c, reject_probability = v.d, outlier = v.e FROM {rows} AS v(a, b, c, d, e) "
        "WHERE note.take_id = v.a AND note.number = v.b"
    )
    for first in range(0, len(judgement.notes), AT_ONCE):
        part = judgement.notes[first : first + AT_ONCE]
        db.execute(
            change,
            {
                "a": [ids[one.take] for one in part],
                "b": [one.number for one in part],
                "c": [_finite(one.doubt) for one in part],
                "d": [_finite(one.reject_probability) for one in part],
                "e": [_finite(one.outlier) for one in part],
            },
        )


def _finite(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else float(value)
