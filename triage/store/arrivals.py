"""Arrivals: what of a session did not arrive as it should, and lines about it for a person to read."""

from sqlalchemy import Connection, delete, insert, select, update

from triage.domain.arrivals import ArrivalProblem, Arrivals
from triage.store import tables
from triage.store.changes import bump
from triage.store.takes import lock_session

arrival, problem, session = tables.arrival, tables.problem, tables.session


def save_arrivals(db: Connection, session_id: int, record: Arrivals) -> None:
    """Store the check of a session's arrivals in place of the one before, all or nothing."""
    with db.begin_nested():
        lock_session(db, session_id)
        for table in (arrival, problem):
            db.execute(delete(table).where(table.c.session_id == session_id))
        db.execute(update(session).where(session.c.id == session_id).values(complete=record.complete))
        if rows := [{"session_id": session_id, **vars(entry)} for entry in record.entries]:
            db.execute(insert(arrival), rows)
        if lines := [{"session_id": session_id, "text": line} for line in record.problems]:
            db.execute(insert(problem), lines)
        bump(db, session_id, "takes")


def arrivals(db: Connection, session_id: int) -> Arrivals:
    """Return the last check of a session's arrivals."""
    columns = [column for column in arrival.c if column.name not in ("id", "session_id")]
    rows = db.execute(select(*columns).where(arrival.c.session_id == session_id).order_by(arrival.c.id))
    of_session = problem.c.session_id == session_id
    lines = db.scalars(select(problem.c.text).where(of_session).order_by(problem.c.id))
    complete = db.scalar(select(session.c.complete).where(session.c.id == session_id))
    return Arrivals(tuple(ArrivalProblem(**row._mapping) for row in rows), complete or 0, tuple(lines))
