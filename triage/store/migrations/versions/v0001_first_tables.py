"""The first tables: sessions, takes, tracks, notes, hits, spots, verdicts, arrivals."""

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None

# Written out here, not imported: what a version made must stay the same when the tool goes on.
MEASUREMENTS = """
    f0_hz cents cents_drift cents_spread attack_jump_cents attack_unvoiced attack_s attack_overshoot_db
    attack_noise_db attack_20_db attack_50_db attack_100_db attack_bright_db length_s body_s release_s tail_s
    level_dbfs level_slope_db_s loudness_lufs peak_dbfs centroid_hz rolloff_hz tilt_db_oct odd_even_db
    harmonicity_db steadiness_db tremolo_hz vibrato_hz vibrato_cents noise_floor_dbfs
""".split()
WORDS, WHOLE, REAL, JSON, TIME = sa.Text, sa.BigInteger, sa.Float, sa.JSON, sa.DateTime(timezone=True)


def upgrade() -> None:
    """Make the tables of an empty database."""
    _session()
    _arrivals()
    _take()
    _track()
    _note()
    _hits()
    _spot()
    _verdict()


def _table(name: str, columns: dict[str, Any], needed: str, *more: Any, owner: str | None = None) -> None:
    """Make a table with an id of its own; ``needed`` names the columns that are never NULL."""
    own = [sa.Column("id", sa.Integer, nullable=False)]
    if owner:
        own.append(sa.Column(f"{owner}_id", sa.Integer, nullable=False))
        ondelete = "RESTRICT" if name == "verdict" else "CASCADE"
        key = f"fk_{name}_{owner}"
        more += (sa.ForeignKeyConstraint([f"{owner}_id"], [f"{owner}.id"], name=key, ondelete=ondelete),)
    rest = [sa.Column(key, kind, nullable=key not in needed.split()) for key, kind in columns.items()]
    op.create_table(name, *own, *rest, sa.PrimaryKeyConstraint("id", name=f"pk_{name}"), *more)


def _index(table: str, *columns: str, unique: bool = False) -> None:
    op.create_index(f"ix_{table}_{'_'.join(columns)}", table, columns, unique=unique)


def _session() -> None:
    columns = {
        "name": WORDS,
        "folder": WORDS,
        "date": sa.Date,
        "sample_rate_hz": WHOLE,
        "a4_hz": REAL,
        "judge_mic": WORDS,
        "model": WORDS,
        "taken_in_at": TIME,
        "complete": WHOLE,
    }
    _table("session", columns, "name folder date a4_hz taken_in_at")
    _index("session", "name", unique=True)
    _index("session", "taken_in_at")


def _arrivals() -> None:
    columns = {
        "kind": WORDS,
        "path": WORDS,
        "take": WORDS,
        "mic": WORDS,
        "what": WORDS,
        "found": JSON,
        "expected": JSON,
        "why": WORDS,
    }
    _table("arrival", columns, "kind", owner="session")
    _index("arrival", "session_id")
    _table("problem", {"text": WORDS}, "text", owner="session")
    _index("problem", "session_id")


def _take() -> None:
    columns = {
        "name": WORDS,
        "instrument": WORDS,
        "articulation": WORDS,
        "dynamic": WORDS,
        "remark": WORDS,
        "heard_on": WORDS,
        "expected_pitches": JSON,
        "repetitions": WHOLE,
        "duration_s": REAL,
        "fingerprint": WORDS,
        "problem": WORDS,
        "listened": sa.Boolean,
        "doubt": REAL,
        "listen_s": REAL,
        "rank": WHOLE,
    }
    _table("take", columns, "name expected_pitches listened", owner="session")
    _index("take", "session_id", "name", unique=True)
    _index("take", "session_id", "rank")


def _track() -> None:
    columns = {
        "mic": WORDS,
        "path": WORDS,
        "channel": WHOLE,
        "sample_rate_hz": WHOLE,
        "bit_depth": WHOLE,
        "frames": WHOLE,
        "size_bytes": WHOLE,
        "mtime_ns": WHOLE,
        "problem": WORDS,
    }
    _table("track", columns, "mic path channel", owner="take")
    _index("track", "take_id")


def _note() -> None:
    op.create_table(
        "note",
        sa.Column("take_id", sa.Integer, nullable=False),
        sa.Column("number", sa.Integer, autoincrement=False, nullable=False),
        sa.Column("start_s", REAL, nullable=False),
        sa.Column("end_s", REAL, nullable=False),
        sa.Column("ring_end_s", REAL),
        sa.Column("pitch_midi", WHOLE),
        sa.Column("sheet_midi", WHOLE),
        *(sa.Column(name, REAL) for name in (*MEASUREMENTS, "doubt", "reject_probability", "outlier")),
        sa.PrimaryKeyConstraint("take_id", "number", name="pk_note"),
        sa.ForeignKeyConstraint(["take_id"], ["take.id"], name="fk_note_take", ondelete="CASCADE"),
    )
    op.create_table(
        "embedding",
        sa.Column("take_id", sa.Integer, nullable=False),
        sa.Column("number", sa.Integer, autoincrement=False, nullable=False),
        sa.Column("encoder", WORDS, nullable=False),
        sa.Column("dimension", WHOLE, nullable=False),
        sa.Column("vector", sa.LargeBinary, nullable=False),
        sa.PrimaryKeyConstraint("take_id", "number", "encoder", name="pk_embedding"),
        sa.ForeignKeyConstraint(
            ["take_id", "number"], ["note.take_id", "note.number"], name="fk_embedding_note", ondelete="CASCADE"
        ),
    )


def _hits() -> None:
    columns = {
        "kind": WORDS,
        "start_s": REAL,
        "end_s": REAL,
        "mic": WORDS,
        "mics": JSON,
        "level_dbfs": REAL,
        "over_floor_db": REAL,
        "exposed": REAL,
        "note": WHOLE,
    }
    _table("hit", columns, "kind start_s end_s mic mics", owner="take")
    _index("hit", "take_id")
    _table(
        "floor",
        {"mic": WORDS, "level_dbfs": REAL, "lag_s": REAL, "polarity": WHOLE, "clear": REAL, "note_dbfs": REAL},
        "mic",
        owner="take",
    )
    _index("floor", "take_id")


def _spot() -> None:
    columns = {
        "start_s": REAL,
        "end_s": REAL,
        "note": WHOLE,
        "kind": WORDS,
        "doubt": REAL,
        "mic": WORDS,
        "found": REAL,
        "expected": REAL,
        "unit": WORDS,
        "why": WORDS,
    }
    _table("spot", columns, "start_s end_s kind why", owner="take")
    _index("spot", "take_id")


def _verdict() -> None:
    columns = {"note": WHOLE, "verdict": WORDS, "reason": WORDS, "by": WORDS, "at": TIME}
    word = sa.CheckConstraint("verdict IN ('accept', 'reject', 'unsure')", name=op.f("ck_verdict_word"))
    _table("verdict", columns, "verdict by at", word, owner="take")
    _index("verdict", "take_id", "id")
