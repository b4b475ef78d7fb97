"""Progress: how far each session is, for the list of sessions.

What a session's takes add up to is kept (``store/cached_sheets.py``); only sessions that changed since are added up,
so that the list does not read every take of every session.
"""

import json
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, and_, false, func, select

from triage.store import tables
from triage.store.changes import all_changes
from triage.store.review import count_of, sum_of

take, session, arrival, cached = tables.take, tables.session, tables.arrival, tables.cached_sheet
WHAT = "progress"
NOTHING = {"takes": 0, "settled": 0, "disputed": 0, "left_s": 0.0, "expected_rejects": 0.0}


@dataclass(frozen=True)
class Progress:
    """One session with how far it is."""

    id: int
    name: str
    date: Any
    model: str | None
    taken_in_at: Any
    takes: int
    settled: int
    disputed: int
    left_s: float
    expected_rejects: float
    problems: dict[str, int]
    models: dict[str, int]  # which model judged how many takes last


def progress(db: Connection, key: str = "") -> tuple[Progress, ...]:
    """Return every session with how far it is, the one taken in last first; ``key`` is that of cached sheets."""
    now = all_changes(db)
    known = {
        row.session_id: json.loads(zlib.decompress(row.body))
        for row in db.execute(select(cached).where(cached.c.what == WHAT, cached.c.key == key))
        if {"takes": row.takes, "verdicts": row.verdicts} == now.get(row.session_id)
    }
    about = select(*(session.c[name] for name in ("id", "name", "date", "model", "taken_in_at")))
    rows = db.execute(about.order_by(session.c.taken_in_at.desc(), session.c.id.desc())).all()
    known |= tallies(db, [row.id for row in rows if row.id not in known])
    return tuple(Progress(**row._mapping, **known[row.id]) for row in rows)


def tallies(db: Connection, session_ids: Sequence[int]) -> dict[int, dict[str, Any]]:
    """Return session id -> what its takes and its arrivals add up to."""
    unheard = and_(take.c.settled == false(), take.c.analysed)
    columns: list[Any] = [
        take.c.session_id,
        func.count().label("takes"),
        count_of(take.c.settled).label("settled"),
        count_of(take.c.disputed).label("disputed"),
        sum_of(unheard, take.c.listen_s).label("left_s"),
        sum_of(unheard, take.c.doubt).label("expected_rejects"),
    ]
    found: dict[int, dict[str, Any]] = {of: NOTHING | {"problems": {}, "models": {}} for of in session_ids}
    for row in db.execute(select(*columns).where(take.c.session_id.in_(session_ids)).group_by(take.c.session_id)):
        found[row.session_id] |= {name: row._mapping[name] for name in NOTHING}
    judged = select(take.c.session_id, take.c.model, func.count().label("n"))
    judged = judged.where(take.c.session_id.in_(session_ids), take.c.model.is_not(None))
    for row in db.execute(judged.group_by(take.c.session_id, take.c.model).order_by(take.c.model)):
        found[row.session_id]["models"][row.model] = row.n
    kinds = select(arrival.c.session_id, arrival.c.kind, func.count().label("n"))
    kinds = kinds.where(arrival.c.session_id.in_(session_ids)).group_by(arrival.c.session_id, arrival.c.kind)
    for row in db.execute(kinds.order_by(arrival.c.kind)):
        found[row.session_id]["problems"][row.kind] = row.n
    return found
