"""Tables of a recording day: who watches a session's folder, what became of files that did not arrive."""

from sqlalchemy import Column, ForeignKey, Index, Integer, Table

from triage.store.columns import UtcTime, Whole, Words
from triage.store.metadata import metadata
from triage.store.metadata import owned_by as _of

watching = Table(
    "watching",
    metadata,
    Column("session_id", Integer, ForeignKey("session.id", ondelete="CASCADE"), primary_key=True),
    Column("host", Words, nullable=False),
    Column("process", Whole, nullable=False),
    Column("seen_at", UtcTime, nullable=False),
)

arrival_action = Table(
    "arrival_action",
    metadata,
    Column("id", Integer, primary_key=True),
    _of("session"),
    Column("path", Words),
    Column("take", Words),
    Column("mic", Words),
    Column("action", Words, nullable=False),  # one of domain.arrivals.ACTIONS
    Column("of_take", Words),  # what a file belongs to
    Column("of_mic", Words),
    Column("by", Words, nullable=False),
    Column("at", UtcTime, nullable=False),
    Index("ix_arrival_action_session_id", "session_id"),
)
