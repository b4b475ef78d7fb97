"""Hits: noise events and background levels, by session or by take."""

from typing import Any

from sqlalchemy import Column, Connection, Row, func, select

from triage.store import tables
from triage.store.stored import StoredFloor, StoredHit

take, hit, floor = tables.take, tables.hit, tables.floor


def hits(
    db: Connection, session_id: int, take_name: str | None = None, limit: int | None = None, offset: int = 0
) -> tuple[StoredHit, ...]:
    """Return the noise hits of a session, or of one take of it, in order of take name and time."""
    columns = [column for column in hit.c if column.name not in ("id", "take_id")]
    query = select(take.c.name.label("take"), *columns).join(hit, hit.c.take_id == take.c.id)
    query = query.where(take.c.session_id == session_id).order_by(take.c.name, hit.c.start_s, hit.c.id)
    if take_name is not None:
        query = query.where(take.c.name == take_name)
    return tuple(_stored(row) for row in db.execute(query.limit(limit).offset(offset)))


def hits_by_mic(db: Connection, session_id: int) -> dict[str, int]:
    """Return microphone -> number of hits loudest there, the worst first."""
    return _count(db, session_id, hit.c.mic)


def hits_by_kind(db: Connection, session_id: int) -> dict[str, int]:
    """Return kind -> number of hits, the most frequent first."""
    return _count(db, session_id, hit.c.kind)


def floors(db: Connection, session_id: int) -> tuple[StoredFloor, ...]:
    """Return the background level of each microphone in each take, in order of microphone and take name."""
    query = select(*(column for column in floor.c if column.name not in ("id", "take_id")), take.c.name.label("take"))
    query = query.join(floor, floor.c.take_id == take.c.id).where(take.c.session_id == session_id)
    rows = db.execute(query.order_by(floor.c.mic, take.c.name, floor.c.id))
    return tuple(StoredFloor(**row._mapping) for row in rows)


def _count(db: Connection, session_id: int, column: Column[Any]) -> dict[str, int]:
    number = func.count().label("number")
    query = select(column.label("what"), number).join(take, hit.c.take_id == take.c.id)
    query = query.where(take.c.session_id == session_id).group_by(column).order_by(number.desc(), column)
    return {row.what: row.number for row in db.execute(query)}


def _stored(row: Row[Any]) -> StoredHit:
    return StoredHit(**dict(row._mapping) | {"mics": tuple(row.mics)})
