"""Tables: what the store keeps, and what belongs to what.

session ─┬─ take ─┬─ track
         │        ├─ note ── embedding
         │        ├─ hit, spot, floor
         │        └─ verdict   (only ever added to; holds its take fast)
         └─ arrival, problem

Notes count from 1 within their take; a hit, a spot and a verdict name the note by that number, because notes
are measured anew when a file changes while what people said stays.
"""

from sqlalchemy import (
    JSON,
    Boolean,
    CheckConstraint,
    Column,
    Date,
    ForeignKey,
    ForeignKeyConstraint,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    Table,
)

from triage.store.columns import Real, UtcTime, Whole, Words
from triage.store.records import MEASUREMENTS

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "fk": "fk_%(table_name)s_%(referred_table_name)s",
        "pk": "pk_%(table_name)s",
    }
)


def _of(owner: str, ondelete: str = "CASCADE") -> Column[int]:
    return Column(f"{owner}_id", Integer, ForeignKey(f"{owner}.id", ondelete=ondelete), nullable=False)


session = Table(
    "session",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("name", Words, nullable=False),
    Column("folder", Words, nullable=False),
    Column("date", Date, nullable=False),
    Column("sample_rate_hz", Whole),
    Column("a4_hz", Real, nullable=False),
    Column("judge_mic", Words),
    Column("model", Words),
    Column("taken_in_at", UtcTime, nullable=False),
    Column("complete", Whole),  # from the roll call: how much arrived as it should
    Index("ix_session_name", "name", unique=True),
    Index("ix_session_taken_in_at", "taken_in_at"),
)

take = Table(
    "take",
    metadata,
    Column("id", Integer, primary_key=True),
    _of("session"),
    Column("name", Words, nullable=False),
    Column("instrument", Words),
    Column("articulation", Words),
    Column("dynamic", Words),
    Column("remark", Words),
    Column("expected_pitches", JSON, nullable=False),
    Column("repetitions", Whole),
    Column("duration_s", Real),
    Column("fingerprint", Words),
    Column("problem", Words),
    Column("listened", Boolean, nullable=False),
    Column("heard_on", Words),
    Column("doubt", Real),
    Column("listen_s", Real),
    Column("rank", Whole),
    Index("ix_take_session_id_name", "session_id", "name", unique=True),
    Index("ix_take_session_id_rank", "session_id", "rank"),
)

track = Table(
    "track",
    metadata,
    Column("id", Integer, primary_key=True),
    _of("take"),
    Column("mic", Words, nullable=False),
    Column("path", Words, nullable=False),
    Column("channel", Whole, nullable=False),
    Column("sample_rate_hz", Whole),
    Column("bit_depth", Whole),
    Column("frames", Whole),
    Column("size_bytes", Whole),
    Column("mtime_ns", Whole),
    Column("problem", Words),
    Index("ix_track_take_id", "take_id"),
)

note = Table(
    "note",
    metadata,
    Column("take_id", Integer, ForeignKey("take.id", ondelete="CASCADE"), primary_key=True),
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("start_s", Real, nullable=False),
    Column("end_s", Real, nullable=False),
    Column("ring_end_s", Real),
    Column("pitch_midi", Whole),
    Column("sheet_midi", Whole),
    *(Column(name, Real) for name in MEASUREMENTS),
    Column("doubt", Real),
    Column("reject_probability", Real),
    Column("outlier", Real),
)

embedding = Table(
    "embedding",
    metadata,
    Column("take_id", Integer, primary_key=True),
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("encoder", Words, primary_key=True),
    Column("dimension", Whole, nullable=False),
    Column("vector", LargeBinary, nullable=False),  # little-endian float16 or float32, told by its length
    ForeignKeyConstraint(["take_id", "number"], ["note.take_id", "note.number"], ondelete="CASCADE"),
)

hit = Table(
    "hit",
    metadata,
    Column("id", Integer, primary_key=True),
    _of("take"),
    Column("kind", Words, nullable=False),
    Column("start_s", Real, nullable=False),
    Column("end_s", Real, nullable=False),
    Column("mic", Words, nullable=False),
    Column("mics", JSON, nullable=False),
    Column("level_dbfs", Real),
    Column("over_floor_db", Real),
    Column("exposed", Real),
    Column("note", Whole),
    Index("ix_hit_take_id", "take_id"),
)

spot = Table(
    "spot",
    metadata,
    Column("id", Integer, primary_key=True),
    _of("take"),
    Column("start_s", Real, nullable=False),
    Column("end_s", Real, nullable=False),
    Column("note", Whole),
    Column("kind", Words, nullable=False),
    Column("doubt", Real),
    Column("mic", Words),
    Column("found", Real),
    Column("expected", Real),
    Column("unit", Words),
    Column("why", Words, nullable=False),
    Index("ix_spot_take_id", "take_id"),
)

floor = Table(
    "floor",
    metadata,
    Column("id", Integer, primary_key=True),
    _of("take"),
    Column("mic", Words, nullable=False),
    Column("level_dbfs", Real),
    Column("lag_s", Real),
    Column("polarity", Whole),
    Column("clear", Real),
    Column("note_dbfs", Real),
    Index("ix_floor_take_id", "take_id"),
)

verdict = Table(
    "verdict",
    metadata,
    Column("id", Integer, primary_key=True),
    _of("take", ondelete="RESTRICT"),  # no clearing up may lose what a person said
    Column("note", Whole),
    Column("verdict", Words, nullable=False),
    Column("reason", Words),
    Column("by", Words, nullable=False),
    Column("at", UtcTime, nullable=False),
    CheckConstraint("verdict IN ('accept', 'reject', 'unsure')", name="word"),
    Index("ix_verdict_take_id_id", "take_id", "id"),
)

arrival = Table(
    "arrival",
    metadata,
    Column("id", Integer, primary_key=True),
    _of("session"),
    Column("kind", Words, nullable=False),
    Column("path", Words),
    Column("take", Words),
    Column("mic", Words),
    Column("what", Words),
    Column("found", JSON(none_as_null=True)),
    Column("expected", JSON(none_as_null=True)),
    Column("why", Words),
    Index("ix_arrival_session_id", "session_id"),
)

problem = Table(
    "problem",
    metadata,
    Column("id", Integer, primary_key=True),
    _of("session"),
    Column("text", Words, nullable=False),
    Index("ix_problem_session_id", "session_id"),
)
