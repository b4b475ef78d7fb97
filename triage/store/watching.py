"""Who watches a session: one process at a time, seen lately or still alive on this machine."""

import os
import socket
from datetime import UTC, datetime, timedelta

from sqlalchemy import Connection, delete, insert, select

from triage.domain.errors import StoreError
from triage.store.tables import watching

SILENT = timedelta(seconds=45)  # after which a watch on another machine is taken for ended


class WatchedElsewhereError(StoreError):
    """Another watch takes the session in already."""


def claim(db: Connection, session_id: int, name: str, now: datetime | None = None) -> None:
    """Say that this process watches the session, now and then again while it does.

    Raises
    ------
    WatchedElsewhereError
        If another process does: one that lives on this machine, or was seen lately on another.
    """
    now = now or datetime.now(UTC)
    host, process = socket.gethostname(), os.getpid()
    row = db.execute(select(watching).where(watching.c.session_id == session_id).with_for_update()).first()
    if row is not None and (row.host, row.process) != (host, process):
        watched = _lives(row.process) if row.host == host else now - row.seen_at < SILENT
        if watched:
            raise WatchedElsewhereError(
                f"{name!r} is watched already, by process {row.process} on {row.host}, last seen "
                f"{row.seen_at:%H:%M:%S} UTC; one watch is enough, end that one first"
            )
    db.execute(delete(watching).where(watching.c.session_id == session_id))
    db.execute(insert(watching).values(session_id=session_id, host=host, process=process, seen_at=now))


def release(db: Connection, session_id: int) -> None:
    """Say that this process watches the session no longer."""
    mine = (watching.c.host == socket.gethostname()) & (watching.c.process == os.getpid())
    db.execute(delete(watching).where(watching.c.session_id == session_id, mine))


def _lives(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True
