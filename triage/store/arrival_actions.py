"""What people make of files that did not arrive as they should. Only ever added to; the last one on a file counts."""

from sqlalchemy import Connection, insert, select

from triage.domain.arrivals import ACTIONS, ArrivalAction
from triage.domain.errors import StoreError
from triage.store.changes import bump
from triage.store.tables import arrival_action

Place = tuple[str, str, str]  # path, take, microphone


def record_action(db: Connection, session_id: int, given: ArrivalAction) -> None:
    """Add what somebody makes of a file or track."""
    if given.action not in ACTIONS:
        raise StoreError(f"{given.action!r} is none of {', '.join(ACTIONS)}")
    if not given.by.strip():
        raise StoreError("an action on an arrival needs a name: say who does so")
    if given.action == "belongs" and not (given.path and given.of_take and given.of_mic):
        raise StoreError("name the file, and the take and the microphone that it belongs to")
    db.execute(insert(arrival_action).values(session_id=session_id, **vars(given)))
    bump(db, session_id, "takes")


def arrival_actions(db: Connection, session_id: int) -> dict[Place, ArrivalAction]:
    """Return the last action on each file or track of a session."""
    columns = [column for column in arrival_action.c if column.name not in ("id", "session_id")]
    query = select(*columns).where(arrival_action.c.session_id == session_id).order_by(arrival_action.c.id)
    given = (ArrivalAction(**row._mapping) for row in db.execute(query))
    return {one.place: one for one in given}


def assigned_files(db: Connection, session_id: int) -> dict[str, tuple[str, str]]:
    """Return path -> take and microphone of the files that somebody says belong to another take."""
    return {
        one.path: (one.of_take, one.of_mic)
        for one in arrival_actions(db, session_id).values()
        if one.action == "belongs" and one.path and one.of_take and one.of_mic
    }
