"""Changes: one number a session for takes and one for verdicts, raised with every change.

A page that shows a session asks for them once a second, which costs one look-up, and fetches anew what changed.
Two rows a session: an intake that takes its time must not keep people's verdicts waiting.
"""

from typing import Any

from sqlalchemy import Connection, Table, select, update
from sqlalchemy.dialects import postgresql, sqlite

from triage.store import tables

WHAT = ("takes", "verdicts")
change = tables.change


def start_counting(db: Connection, session_id: int) -> None:
    """Give a new session its numbers.

    Not when they are first raised: a new row checks its session's, which an intake holds while it waits for the take
    that a verdict holds.
    """
    for what in WHAT:
        insert_missing(db, change, {"session_id": session_id, "what": what, "number": 0})


def bump(db: Connection, session_id: int, what: str) -> None:
    """Raise a session's number; last in a transaction, because others wait for the row from here on."""
    mine = (change.c.session_id == session_id) & (change.c.what == what)
    db.execute(update(change).where(mine).values(number=change.c.number + 1))


def changes(db: Connection, session_id: int) -> dict[str, int]:
    """Return how often takes and verdicts of a session have changed."""
    rows = db.execute(select(change.c.what, change.c.number).where(change.c.session_id == session_id))
    return dict.fromkeys(WHAT, 0) | {row.what: row.number for row in rows}


def all_changes(db: Connection) -> dict[int, dict[str, int]]:
    """Return session id -> its numbers, for every session."""
    found: dict[int, dict[str, int]] = {}
    for row in db.execute(select(change)):
        found.setdefault(row.session_id, dict.fromkeys(WHAT, 0))[row.what] = row.number
    return found


def insert_missing(db: Connection, table: Table, row: dict[str, Any]) -> bool:
    """Insert a row unless one with the same key is there; return whether it was new."""
    insert = postgresql.insert if db.dialect.name == "postgresql" else sqlite.insert
    return db.execute(insert(table).values(row).on_conflict_do_nothing()).rowcount > 0
