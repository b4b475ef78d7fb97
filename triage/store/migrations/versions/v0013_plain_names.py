"""Plain names for columns: digests, the reference microphone, the random order, the rank for learning."""

from alembic import op

revision = "0013"
down_revision = "0012"

RENAMED = (
    ("session", "judge_mic", "reference_mic"),
    ("take", "listened", "analysed"),
    ("take", "heard_on", "measured_mic"),
    ("take", "sound", "audio_digest"),
    ("take", "meant", "sheet_row_digest"),
    ("take", "lot", "random_order"),
    ("take", "teach", "learning_rank"),
    ("take", "drawn", "sampled"),
    ("verdict", "sound", "audio_digest"),
    ("verdict", "meant", "sheet_row_digest"),
    ("preview", "courses", "contours"),
    ("cached_sheet", "form", "key"),
)
SHOWN = (("teach", "learning"), ("lot", "random"), ("again", "repeat"))


def upgrade() -> None:
    """Rename in place, without a copy of any table; indexes follow their columns."""
    op.drop_index("ix_take_lot", "take")
    op.drop_index("ix_take_teach", "take")
    op.rename_table("kept_sheet", "cached_sheet")
    op.execute("DELETE FROM cached_sheet")  # their JSON names things as before; they are made anew
    for table, old, new in RENAMED:
        op.execute(f"ALTER TABLE {table} RENAME COLUMN {old} TO {new}")
    for old, new in SHOWN:
        op.execute(f"UPDATE verdict SET shown = '{new}' WHERE shown = '{old}'")
    op.create_index("ix_take_random_order", "take", ["session_id", "heard", "random_order", "sampled"])
    op.create_index("ix_take_learning_rank", "take", ["session_id", "learning_rank"])
