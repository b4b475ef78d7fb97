"""Session features: what a session's notes were judged by, kept so that another model need not have them built anew.

One row a session. It holds for the takes, the sheet and the harmless marks as they were when the session was ranked:
whatever changes one of these deletes it, and the next ranking builds it anew.
"""

from sqlalchemy import Connection, delete, exists, insert, select

from triage.domain.judgement import SerialisedFeatures
from triage.store import tables

session_features = tables.session_features


def save_features(db: Connection, session_id: int, features: SerialisedFeatures) -> None:
    """Keep a session's features in place of what was kept of it."""
    delete_features(db, session_id)
    db.execute(insert(session_features).values(session_id=session_id, **vars(features)))


def find_features(db: Connection, session_id: int, key: str) -> bytes | None:
    """Return a session's features; None where none are kept, or under another key."""
    table = session_features
    return db.scalar(select(table.c.data).where(table.c.session_id == session_id, table.c.key == key))


def has_features(db: Connection, session_id: int, key: str) -> bool:
    """Tell whether a session's features are kept under this key."""
    table = session_features
    return bool(db.scalar(select(exists().where(table.c.session_id == session_id, table.c.key == key))))


def delete_features(db: Connection, session_id: int | None = None) -> None:
    """Delete a session's features, or every session's, because something that they rest on has changed."""
    every = delete(session_features)
    db.execute(every if session_id is None else every.where(session_features.c.session_id == session_id))
