"""The plan: every row of every take sheet, whether its take was recorded or not.

A take that never came has no row among the takes, yet its cells are missing notes; so the sheet itself is kept.
"""

from collections.abc import Iterable

from sqlalchemy import Connection, delete, insert, select

from triage.domain.sheet_row import SheetRow
from triage.store import tables

sheet_row = tables.sheet_row


def save_sheet(db: Connection, session_id: int, rows: Iterable[SheetRow]) -> None:
    """Store a session's take sheet in place of the one before."""
    db.execute(delete(sheet_row).where(sheet_row.c.session_id == session_id))
    if values := [{"session_id": session_id, **vars(row) | {"pitches": list(row.pitches)}} for row in rows]:
        db.execute(insert(sheet_row), values)


def sheet(db: Connection, session_id: int) -> tuple[SheetRow, ...]:
    """Return a session's take sheet in its own order."""
    columns = [column for column in sheet_row.c if column.name not in ("id", "session_id")]
    rows = db.execute(select(*columns).where(sheet_row.c.session_id == session_id).order_by(sheet_row.c.id))
    return tuple(SheetRow(**dict(row._mapping) | {"pitches": tuple(row.pitches)}) for row in rows)
