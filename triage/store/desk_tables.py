"""Tables of the takes at the desk: what was expected of their notes, and on whose screens they are."""

from sqlalchemy import JSON, Column, ForeignKey, Index, Integer, LargeBinary, Table

from triage.store.columns import UtcTime, Words
from triage.store.metadata import metadata
from triage.store.metadata import owned_by as _of

expectation = Table(
    "expectation",
    metadata,
    Column("take_id", Integer, ForeignKey("take.id", ondelete="CASCADE"), primary_key=True),
    Column("notes", JSON, nullable=False),  # numbers
    Column("names", JSON, nullable=False),  # of measurements
    Column("data", LargeBinary, nullable=False),  # zlib: little-endian float32, (note, name, 3)
)

lease = Table(
    "lease",
    metadata,
    Column("take_id", Integer, ForeignKey("take.id", ondelete="CASCADE"), primary_key=True),
    _of("session"),
    Column("by", Words, nullable=False),
    Column("at", UtcTime, nullable=False),  # renewed last
    Index("ix_lease_session_id", "session_id"),
)
