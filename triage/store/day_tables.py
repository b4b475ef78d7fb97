"""Tables of a recording day: who watches a session's folder."""

from sqlalchemy import Column, ForeignKey, Integer, Table

from triage.store.columns import UtcTime, Whole, Words
from triage.store.metadata import metadata

watching = Table(
    "watching",
    metadata,
    Column("session_id", Integer, ForeignKey("session.id", ondelete="CASCADE"), primary_key=True),
    Column("host", Words, nullable=False),
    Column("process", Whole, nullable=False),
    Column("seen_at", UtcTime, nullable=False),
)
