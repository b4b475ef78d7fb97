"""The take sheet as it was read, what people chose to keep of a cell, the seats of a take, when it was recorded."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    """Add what pick-ups, best sets and consistency need."""
    op.add_column("take", sa.Column("setup", sa.Text))
    op.add_column("take", sa.Column("recorded_at", sa.DateTime))
    op.add_column("take", sa.Column("recorded_from", sa.Text))
    _sheet()
    _choice()


def _sheet() -> None:
    op.create_table(
        "sheet_row",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("session_id", sa.Integer, nullable=False),
        sa.Column("take", sa.Text, nullable=False),
        *(sa.Column(name, sa.Text) for name in ("instrument", "articulation", "dynamic")),
        sa.Column("pitches", sa.JSON, nullable=False),
        sa.Column("repetitions", sa.BigInteger, nullable=False),
        *(sa.Column(name, sa.Text) for name in ("remark", "setup")),
        sa.PrimaryKeyConstraint("id", name="pk_sheet_row"),
        sa.ForeignKeyConstraint(["session_id"], ["session.id"], name="fk_sheet_row_session", ondelete="CASCADE"),
    )
    op.create_index("ix_sheet_row_session_id", "sheet_row", ["session_id"])


def _choice() -> None:
    op.create_table(
        "choice",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("take_id", sa.Integer, nullable=False),
        sa.Column("note", sa.BigInteger, nullable=False),
        sa.Column("repetition", sa.BigInteger),
        sa.Column("kept", sa.Boolean, nullable=False),
        sa.Column("pitch_midi", sa.BigInteger),
        sa.Column("by", sa.Text, nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_choice"),
        sa.ForeignKeyConstraint(["take_id"], ["take.id"], name="fk_choice_take", ondelete="RESTRICT"),
    )
    op.create_index("ix_choice_take_id_id", "choice", ["take_id", "id"])
