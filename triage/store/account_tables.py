"""Tables of the people at the desk: who they are, that they are logged in, what they set for themselves
and for everybody."""

from sqlalchemy import JSON, CheckConstraint, Column, ForeignKey, Index, Integer, LargeBinary, Table

from triage.store.columns import UtcTime, Words
from triage.store.metadata import metadata
from triage.store.metadata import owned_by as _of

person = Table(
    "person",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("name", Words, nullable=False),
    Column("folded", Words, nullable=False),  # Anna and anna are one
    Column("role", Words, nullable=False),
    Column("password", Words),  # argon2, with its salt and costs; NULL where nobody asks for one
    Column("at", UtcTime, nullable=False),
    CheckConstraint("role IN ('editor', 'producer', 'engineer', 'lead')", name="role"),
    Index("ix_person_folded", "folded", unique=True),
)

login = Table(
    "login",
    metadata,
    Column("id", Integer, primary_key=True),
    _of("person"),
    Column("token", Words, nullable=False),  # digest of what the cookie holds: whoever reads this cannot log in
    Column("until", UtcTime, nullable=False),
    Index("ix_login_token", "token", unique=True),
    Index("ix_login_person_id", "person_id"),
)

preference = Table(
    "preference",
    metadata,
    Column("person_id", Integer, ForeignKey("person.id", ondelete="CASCADE"), primary_key=True),
    Column("name", Words, primary_key=True),
    Column("value", JSON, nullable=False),
)

shared_setting = Table(
    "shared_setting",
    metadata,
    Column("name", Words, primary_key=True),
    Column("value", JSON, nullable=False),
    Column("by", Words, nullable=False),
    Column("at", UtcTime, nullable=False),
)

secret = Table(
    "secret", metadata, Column("name", Words, primary_key=True), Column("value", LargeBinary, nullable=False)
)
