"""Soundness: whether what the store holds of sessions, takes and people is consistent.

In: ``db``, one moment of the store. Out: lines, none where all is well; each names the place. A take is stored whole
or not at all, ranks run from 1 without gaps, verdicts are only ever added to; where a line appears, something
else than this tool wrote into the store, or a promise of this tool was broken.
"""

from collections import defaultdict
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Row, Select, and_, case, exists, func, not_, or_, select

from triage.store import tables
from triage.store.changes import WHAT
from triage.store.standing import flags_of, history, standing_of, summarise

session, take, track, note = tables.session, tables.take, tables.track, tables.note
SHOWN = 5  # places that a line names; the rest is counted
VECTOR_BYTES = (2, 4)  # of a number in an embedding: float16 or float32


def incomplete_takes(db: Connection) -> list[str]:
    """Return takes that are not stored whole: analysed without a track, notes or vectors lacking."""
    in_place = _by_take(note, func.count().label("n"), func.min(note.c.number), func.max(note.c.number))
    lacking = in_place.having(or_(func.min(note.c.number) != 1, func.max(note.c.number) != func.count()))
    turned = _places(note).where(note.c.end_s < note.c.start_s).distinct()
    return [
        *_line(db, _without(track), "take{s} analysed without a track"),
        *_line(db, lacking, "take{s} with notes lacking among the others"),
        *_line(db, turned, "take{s} with a note that ends before it starts"),
        *_line(db, _vectors_lacking(), "take{s} with a vector lacking for some of the notes"),
        *_line(db, _vectors_torn(), "take{s} with a vector of the wrong length"),
    ]


def ranks(db: Connection) -> list[str]:
    """Return sessions whose ranks have gaps or doubles, and takes with a rank and no doubt.

    Takes analysed since the session was ranked last have no rank yet: then ranks may lack, never be there twice.
    """
    waiting = func.sum(case((take.c.rank.is_(None), 1), else_=0))
    ranked, highest = func.count(take.c.rank), func.max(take.c.rank)
    odd = or_(
        func.count(func.distinct(take.c.rank)) != ranked,
        func.min(take.c.rank) < 1,
        highest > func.count(),
        and_(waiting == 0, highest != ranked),
    )
    query = select(session.c.name).join(take, take.c.session_id == session.c.id)
    gaps = query.group_by(session.c.id, session.c.name).having(odd).order_by(session.c.name)
    undecided = _take_places().where(take.c.rank.is_not(None), take.c.doubt.is_(None), take.c.analysed)
    return [
        *_line(db, gaps, "session{s} with gaps or doubles among the ranks"),
        *_line(db, undecided, "take{s} with a rank and no doubt"),
    ]


def counts(db: Connection) -> list[str]:
    """Return sessions whose counters or whose number of complete takes cannot be."""
    lines = []
    for row in db.execute(select(session.c.id, session.c.name, session.c.complete).order_by(session.c.name)):
        kept = set(db.scalars(select(tables.change.c.what).where(tables.change.c.session_id == row.id)))
        if kept != set(WHAT):
            lines.append(f"session {row.name} has no counter of changes for {', '.join(sorted(set(WHAT) - kept))}")
        planned = _count(db, tables.sheet_row, row.id) or _count(db, take, row.id)
        if row.complete is not None and not 0 <= row.complete <= planned:
            lines.append(f"session {row.name} counts {row.complete} complete takes of {planned}")
    return lines


def verdict_states(db: Connection) -> list[str]:
    """Return takes of which other verdicts stand than should, and verdicts taken back by somebody else."""
    lines = []
    flags = [take.c[name] for name in tables.FLAGS]
    wrong = []
    for row in db.execute(_take_places(take.c.id, *flags).where(or_(take.c.id.in_(_with_verdicts()), *flags))):
        given = history(db, row.id)
        found = summarise(standing_of(given))
        flagged = {name: getattr(row, name) for name in tables.FLAGS}
        if flagged != flags_of(found) or any(one.stands != (one in found.given) for one in given):
            wrong.append(_named(row))
    lines += _counted(wrong, "take{s} whose state is not what its verdicts amount to")
    verdict, back = tables.verdict, tables.retraction
    other = _take_places().join(verdict, verdict.c.take_id == take.c.id).join(back, back.c.verdict_id == verdict.c.id)
    lines += _line(db, other.where(back.c.by != verdict.c.by), "verdict{s} taken back by somebody else")
    return lines


def _with_verdicts() -> Select[Any]:
    return select(tables.verdict.c.take_id).distinct()


def pointers(db: Connection) -> list[str]:
    """Return hits, spots and pictures that refer to a note or a microphone which their take does not have."""
    lines = []
    for table, name in ((tables.hit, "hit"), (tables.spot, "spot")):
        own = and_(note.c.take_id == table.c.take_id, note.c.number == table.c.note)
        lost = _places(table).where(table.c.note.is_not(None), ~exists().where(own))
        lines += _line(db, lost, f"{name}{{s}} on a note that is not there")
    for table, name in (
        (tables.hit, "hit"),
        (tables.spot, "spot"),
        (tables.floor, "floor"),
        (tables.preview, "picture"),
    ):
        own = and_(track.c.take_id == table.c.take_id, track.c.mic == table.c.mic)
        lost = _places(table).where(table.c.mic.is_not(None), ~exists().where(own))
        lines += _line(db, lost, f"{name}{{s}} on a microphone that is not there")
    return lines


def open_points(db: Connection) -> list[str]:
    """Return what is no fault but worth a look: takes not ranked yet, verdicts and choices on notes that are gone."""
    waiting = _take_places().where(take.c.rank.is_(None))
    lines = _line(db, waiting, "take{s} analysed and not ranked yet; take the session in again")
    for table, name in ((tables.verdict, "verdict"), (tables.choice, "choice")):
        own = and_(note.c.take_id == table.c.take_id, note.c.number == table.c.note)
        gone = _places(table).where(table.c.note.is_not(None), ~exists().where(own))
        lines += _line(db, gone, f"{name}{{s}} on a note that the take no longer has; give it again")
    return lines


def clock_jumps(db: Connection, now: datetime) -> list[str]:
    """Return traces of a clock that jumped: what is dated after now, or before an earlier entry.

    Nothing rests on it: the last verdict is the one given last, whatever its date.
    """
    lines = []
    for table, name in ((tables.verdict, "verdict"), (tables.mark, "mark"), (tables.model_use, "change of model")):
        ahead = db.scalar(select(func.count()).where(table.c.at > now)) or 0
        before = func.lag(table.c.at).over(order_by=table.c.id)
        steps = select(table.c.at, before.label("before")).subquery()
        back = db.scalar(select(func.count()).where(steps.c.at < steps.c.before)) or 0
        if ahead or back:
            lines.append(f"{name}s: {ahead} dated after now, {back} before an earlier one; was a clock changed?")
    return lines


def _by_take(table: Any, *columns: Any) -> Select[Any]:
    query = select(session.c.name.label("session"), take.c.name.label("take"), *columns).join(
        take, take.c.session_id == session.c.id
    )
    query = query.join(table, table.c.take_id == take.c.id)
    return query.group_by(session.c.name, take.c.id, take.c.name).order_by(session.c.name, take.c.name)


def _take_places(*columns: Any) -> Select[Any]:
    query = select(session.c.name.label("session"), take.c.name.label("take"), *columns)
    return query.join(take, take.c.session_id == session.c.id).order_by(session.c.name, take.c.name)


def _places(table: Any) -> Select[Any]:
    return _take_places().join(table, table.c.take_id == take.c.id)


def _without(table: Any) -> Select[Any]:
    return _take_places().where(take.c.analysed, ~exists().where(table.c.take_id == take.c.id))


def _vectors_lacking() -> Select[Any]:
    vector = tables.embedding
    held = select(vector.c.take_id, vector.c.encoder, func.count().label("n"))
    held_by = held.group_by(vector.c.take_id, vector.c.encoder).subquery()
    own = select(func.count()).where(note.c.take_id == take.c.id).scalar_subquery()
    query = _take_places().join(held_by, held_by.c.take_id == take.c.id)
    return query.where(held_by.c.n != own).distinct()


def _vectors_torn() -> Select[Any]:
    vector = tables.embedding
    size = func.length(vector.c.vector)
    fits = or_(*(size == n_bytes * vector.c.dimension for n_bytes in VECTOR_BYTES))
    return _places(vector).where(not_(fits)).distinct()


def _count(db: Connection, table: Any, session_id: int) -> int:
    return db.scalar(select(func.count()).select_from(table).where(table.c.session_id == session_id)) or 0


def _line(db: Connection, query: Select[Any], what: str) -> list[str]:
    return _counted([_named(row) for row in db.execute(query)], what)


def _named(row: Row[Any]) -> str:
    return f"{row.session}: {row.take}" if hasattr(row, "take") else str(row[0])


def _counted(places: list[str], what: str) -> list[str]:
    """Return one line that counts and names places, none where there are none."""
    if not places:
        return []
    by_name: defaultdict[str, int] = defaultdict(int)
    for place in places:
        by_name[place] += 1
    shown = [f"{place} ({n})" if n > 1 else place for place, n in list(by_name.items())[:SHOWN]]
    more = f" and {len(by_name) - SHOWN} more" if len(by_name) > SHOWN else ""
    return [f"{len(places)} {what.replace('{s}', '' if len(places) == 1 else 's')}: {', '.join(shown)}{more}"]
