"""Models trained on verdicts, which of them was put to use when, and what judged each take."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    """Add what retraining needs."""
    op.create_table(
        "model",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("version", sa.Text, nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("made_by", sa.Text, nullable=False),
        sa.Column("encoder", sa.Text, nullable=False),
        sa.Column("sha256", sa.Text, nullable=False),
        sa.Column("card", sa.JSON, nullable=False),
        sa.Column("file", sa.LargeBinary, nullable=False),
    )
    op.create_index("ix_model_version", "model", ["version"], unique=True)
    op.create_table(
        "model_use",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("version", sa.Text),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.Text, nullable=False),
    )
    op.add_column("take", sa.Column("model", sa.Text))
    op.add_column("verdict", sa.Column("blind", sa.Boolean, nullable=False, server_default=sa.false()))
