"""Tables: what the store keeps, and what belongs to what.

session ─┬─ take ─┬─ track
         │        ├─ note ── embedding
         │        ├─ hit, spot, floor
         │        ├─ lease   (on whose screen it is)
         │        ├─ preview, expectation   (pictures for the desk, what was expected of the notes)
         │        └─ verdict ── retraction   (only ever added to; a verdict holds its take fast)
         ├─ session_features   (what its notes were judged by, for the next model)
         └─ arrival, problem
mark, hit_correction   (only ever added to; refer to groups of hits, or to one by take and time, in every session)

Notes count from 1 within their take; a hit, a spot and a verdict name the note by that number, because notes
are measured anew when a file changes while verdicts stay.
"""

from sqlalchemy import (
    JSON,
    Boolean,
    CheckConstraint,
    Column,
    Date,
    DateTime,
    ForeignKey,
    ForeignKeyConstraint,
    Index,
    Integer,
    LargeBinary,
    Table,
    false,
    text,
)

from triage.domain.measurements import MEASUREMENTS
from triage.store.account_tables import login, person, preference, secret, shared_setting
from triage.store.columns import Real, UtcTime, Whole, Words
from triage.store.day_tables import arrival_action, watching
from triage.store.desk_tables import expectation, lease
from triage.store.hit_tables import hit, hit_correction, mark
from triage.store.metadata import metadata
from triage.store.metadata import owned_by as _of

__all__ = [
    "arrival_action",
    "expectation",
    "hit",
    "hit_correction",
    "lease",
    "login",
    "mark",
    "metadata",
    "person",
    "preference",
    "secret",
    "shared_setting",
    "watching",
]  # and every table below

# What the verdicts on a take amount to: heard by anybody, settled, disputed, rejected, heard in the random sample.
FLAGS = ("heard", "settled", "disputed", "rejected", "sampled")


session = Table(
    "session",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("name", Words, nullable=False),
    Column("folder", Words, nullable=False),
    Column("date", Date, nullable=False),
    Column("sample_rate_hz", Whole),
    Column("a4_hz", Real, nullable=False),
    Column("reference_mic", Words),
    Column("model", Words),
    Column("taken_in_at", UtcTime, nullable=False),
    Column("complete", Whole),  # from the check of arrivals: how many takes are complete
    Column("full_scale_db_spl", JSON(none_as_null=True)),  # microphone -> sound level that reaches full scale
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
    Column("analysed", Boolean, nullable=False),
    Column("measured_mic", Words),
    Column("setup", Words),  # seats and microphones, as the take sheet names them
    Column("recorded_at", DateTime),  # on the clock of the hall, so without a time zone
    Column("recorded_from", Words),
    Column("model", Words),  # name and version of what judged it
    Column("doubt", Real),
    Column("listen_s", Real),
    Column("rank", Whole),
    Column("audio_digest", Words),  # digest of the samples: what people heard when they gave a verdict
    Column("sheet_row_digest", Words),  # digest of the take sheet's row
    # What the verdicts amount to, kept up by store/standing.py so that the next take is found at once.
    *(Column(name, Boolean, nullable=False, server_default=false()) for name in FLAGS),
    Column("random_order", Real),  # from 0 to 1, the take's own for good: the random sample goes in its order
    Column("learning_rank", Whole),  # from 1, for active learning; NULL where it is not among the most informative
    Column("without_natural_sounds", Boolean, nullable=False, server_default=false()),  # the sheet wants none
    Index("ix_take_session_id_name", "session_id", "name", unique=True),
    Index("ix_take_session_id_rank", "session_id", "rank"),
    Index("ix_take_session_id_recorded_at", "session_id", "recorded_at"),  # what was just played
    # Holds all that "what is left" adds up, so that the rows themselves need not be read.
    Index(
        "ix_take_left",
        "session_id",
        "settled",
        "rank",
        "heard",
        "disputed",
        "analysed",
        "doubt",
        "listen_s",
        "random_order",
        "rejected",
        "sampled",
    ),
    Index("ix_take_random_order", "session_id", "heard", "random_order", "sampled"),
    Index("ix_take_learning_rank", "session_id", "learning_rank"),
    Index("ix_take_cell", "session_id", "instrument", "articulation", "dynamic"),
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
    Column("audio_digest", Words),  # digest of the samples
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
    Column("errors", JSON(none_as_null=True)),  # measurement -> standard error, where one is known
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
    Column("vector", LargeBinary, nullable=False),  # little-endian float16 or float32, by its length
    ForeignKeyConstraint(["take_id", "number"], ["note.take_id", "note.number"], ondelete="CASCADE"),
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
    Column("a_dbfs", Real),
    Column("octaves_dbfs", JSON(none_as_null=True)),  # ten levels, 31.5 Hz to 16 kHz
    Column("end_over_db", Real),
    Column("end_fall_db_s", Real),
    Index("ix_floor_take_id", "take_id"),
)

verdict = Table(
    "verdict",
    metadata,
    Column("id", Integer, primary_key=True),
    _of("take", ondelete="RESTRICT"),  # no clearing up may lose a person's verdict
    Column("note", Whole),
    Column("verdict", Words, nullable=False),
    Column("reason", Words),
    Column("blind", Boolean, nullable=False, server_default=false()),
    Column("by", Words, nullable=False),
    Column("at", UtcTime, nullable=False),
    Column("comment", Words),
    Column("key", Words),  # the client's own id of one click: sent twice it counts once
    Column("audio_digest", Words),  # of the take as it was heard
    Column("sheet_row_digest", Words),
    Column("shown", Words),  # why the desk showed the take: NULL for its doubt, else one of domain.verdict.SHOWN
    Column("settles", Boolean, nullable=False, server_default=false()),  # it ends a dispute
    Column("stands", Boolean, nullable=False, server_default=false()),  # kept up by store/standing.py
    CheckConstraint("verdict IN ('accept', 'reject', 'unsure')", name="word"),
    Index("ix_verdict_take_id_id", "take_id", "id"),
    Index("ix_verdict_key", "key", unique=True),
    Index("ix_verdict_by_id", "by", "id"),
    Index("ix_verdict_blind", "take_id", sqlite_where=text("blind = 1"), postgresql_where=text("blind")),
)

retraction = Table(
    "retraction",
    metadata,
    Column("id", Integer, primary_key=True),
    _of("verdict", ondelete="RESTRICT"),
    Column("by", Words, nullable=False),
    Column("at", UtcTime, nullable=False),
    Column("key", Words),
    Index("ix_retraction_verdict_id", "verdict_id", unique=True),
    Index("ix_retraction_key", "key"),
)

preview = Table(
    "preview",
    metadata,
    Column("take_id", Integer, ForeignKey("take.id", ondelete="CASCADE"), primary_key=True),
    Column("mic", Words, primary_key=True),
    Column("wave", LargeBinary, nullable=False),
    Column("wave_hop_s", Real, nullable=False),
    Column("picture", LargeBinary, nullable=False),
    Column("picture_hop_s", Real, nullable=False),
    Column("low_hz", Real, nullable=False),
    Column("high_hz", Real, nullable=False),
    Column("contours", LargeBinary),  # pitch of each note, on the microphone that the notes were cut on
)

change = Table(
    "change",
    metadata,
    Column("session_id", Integer, ForeignKey("session.id", ondelete="CASCADE"), primary_key=True),
    Column("what", Words, primary_key=True),
    Column("number", Whole, nullable=False),
)

cached_sheet = Table(
    "cached_sheet",
    metadata,
    Column("session_id", Integer, primary_key=True, autoincrement=False),  # 0: of all sessions, so no foreign key
    Column("what", Words, primary_key=True),
    Column("takes", Whole, nullable=False),  # the session's numbers of change that it was made of
    Column("verdicts", Whole, nullable=False),
    Column("key", Words, nullable=False),  # of the code that makes and shows it
    Column("made_at", UtcTime, nullable=False),
    Column("cost_s", Real, nullable=False),  # how long it took
    Column("body", LargeBinary, nullable=False),  # JSON, compressed
)

session_features = Table(
    "session_features",
    metadata,
    Column("session_id", Integer, ForeignKey("session.id", ondelete="CASCADE"), primary_key=True),
    Column("key", Words, nullable=False),  # of what the data depends on
    Column("data", LargeBinary, nullable=False),
)

sheet_row = Table(
    "sheet_row",
    metadata,
    Column("id", Integer, primary_key=True),
    _of("session"),
    Column("take", Words, nullable=False),
    Column("instrument", Words),
    Column("articulation", Words),
    Column("dynamic", Words),
    Column("pitches", JSON, nullable=False),
    Column("repetitions", Whole, nullable=False),
    Column("remark", Words),
    Column("setup", Words),
    Column("natural_sounds", Words, nullable=False, server_default=""),  # usual, none, or as the session has it
    Index("ix_sheet_row_session_id", "session_id"),
)

choice = Table(
    "choice",
    metadata,
    Column("id", Integer, primary_key=True),
    _of("take", ondelete="RESTRICT"),  # like a verdict: a choice outlives a new intake
    Column("note", Whole, nullable=False),
    Column("repetition", Whole),  # of the cell, from 1; NULL where any will do
    Column("kept", Boolean, nullable=False),
    Column("pitch_midi", Whole),  # what the note was when it was chosen
    Column("by", Words, nullable=False),
    Column("at", UtcTime, nullable=False),
    Index("ix_choice_take_id_id", "take_id", "id"),
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

model = Table(
    "model",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("version", Words, nullable=False),
    Column("made_at", UtcTime, nullable=False),
    Column("made_by", Words, nullable=False),
    Column("encoder", Words, nullable=False),
    Column("sha256", Words, nullable=False),
    Column("card", JSON, nullable=False),
    Column("file", LargeBinary, nullable=False),
    Index("ix_model_version", "version", unique=True),
)

model_use = Table(
    "model_use",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("version", Words),  # NULL: the shipped doubt
    Column("at", UtcTime, nullable=False),
    Column("by", Words, nullable=False),
)
