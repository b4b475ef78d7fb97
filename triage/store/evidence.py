"""Evidence: what a session's notes were judged by, kept so that a new model weighs it without measuring again.

One packed row a session. It speaks of the takes, the sheet and the harmless marks as they were when the session was
ranked: whatever changes one of these forgets it, and the next ranking gathers it anew.
"""

from sqlalchemy import Connection, delete, insert, select

from triage.domain.judgement import SerialisedFeatures
from triage.store import tables

evidence = tables.evidence


def save_evidence(db: Connection, session_id: int, record: SerialisedFeatures) -> None:
    """Keep a session's evidence in place of what was kept of it."""
    forget_evidence(db, session_id)
    db.execute(insert(evidence).values(session_id=session_id, **vars(record)))


def find_evidence(db: Connection, session_id: int, form: str) -> bytes | None:
    """Return a session's evidence; None where none is kept, or another form of it."""
    query = select(evidence.c.data).where(evidence.c.session_id == session_id, evidence.c.form == form)
    return db.scalar(query)


def forget_evidence(db: Connection, session_id: int | None = None) -> None:
    """Forget a session's evidence, or everybody's, because something that it speaks of has changed."""
    everything = delete(evidence)
    db.execute(everything if session_id is None else everything.where(evidence.c.session_id == session_id))
