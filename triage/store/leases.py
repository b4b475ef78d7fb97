"""Leases: which takes are on whose screen, so that no two people hear the same one by accident.

A take is leased to a person for as long as their page renews the lease; what was not renewed since a given moment is
free again, whatever became of the page.
"""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection, delete, func, or_, select
from sqlalchemy.dialects import postgresql, sqlite

from triage.store import tables

lease, take = tables.lease, tables.take
IN_TURN = 0x1EA5E  # the first number of PostgreSQL's lock on the leases of a session


@dataclass(frozen=True)
class Lease:
    """A take on somebody's screen."""

    take_id: int
    take: str
    by: str


def leases(db: Connection, session_id: int, since: datetime) -> tuple[Lease, ...]:
    """Return the leases of a session that were renewed since then, by person and take."""
    query = select(lease.c.take_id, take.c.name.label("take"), lease.c.by).join(take, take.c.id == lease.c.take_id)
    query = query.where(lease.c.session_id == session_id, lease.c.at >= since).order_by(lease.c.by, take.c.name)
    return tuple(Lease(**row._mapping) for row in db.execute(query))


def lease_takes(
    db: Connection, session_id: int, by: str, take_ids: Collection[int], at: datetime, since: datetime
) -> set[int]:
    """Lease takes to a person, or renew their leases; return which of them are theirs now.

    One that somebody else has renewed since then stays theirs.
    """
    _in_turn(db, session_id)
    insert = postgresql.insert if db.dialect.name == "postgresql" else sqlite.insert
    mine: set[int] = set()
    for take_id in sorted(set(take_ids)):
        row = {"take_id": take_id, "session_id": session_id, "by": by, "at": at}
        free = or_(lease.c.by == by, lease.c.at < since)
        renewed = {"by": by, "at": at}
        upsert = insert(lease).values(row)
        upsert = upsert.on_conflict_do_update(index_elements=["take_id"], set_=renewed, where=free)
        mine.update(db.scalars(upsert.returning(lease.c.take_id)))
    return mine


def give_back(db: Connection, session_id: int, by: str, keep: Collection[int] = ()) -> None:
    """End a person's leases in a session, but for those of some takes."""
    _in_turn(db, session_id)
    own = (lease.c.session_id == session_id, lease.c.by == by)
    db.execute(delete(lease).where(*own, lease.c.take_id.not_in(list(keep))))


def _in_turn(db: Connection, session_id: int) -> None:
    """Let those who change a session's leases go one after another (on SQLite all writers do).

    Who asks for a take that another has holds its lease too, for as long as the asking takes: two who want each
    other's would both wait.
    """
    if db.dialect.name == "postgresql":
        db.execute(select(func.pg_advisory_xact_lock(IN_TURN, session_id)))


def end_lease(db: Connection, take_id: int, by: str) -> None:
    """End a person's lease of one take, because they are done with it."""
    db.execute(delete(lease).where(lease.c.take_id == take_id, lease.c.by == by))
