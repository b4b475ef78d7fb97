"""A table of what people made of files that did not arrive as they should."""

import sqlalchemy as sa
from alembic import op

revision = "0021"
down_revision = "0020"


def upgrade() -> None:
    """Empty at first."""
    op.create_table(
        "arrival_action",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("session_id", sa.Integer, nullable=False),
        *(sa.Column(name, sa.Text) for name in ("path", "take", "mic")),
        sa.Column("action", sa.Text, nullable=False),
        *(sa.Column(name, sa.Text) for name in ("of_take", "of_mic")),
        sa.Column("by", sa.Text, nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_arrival_action"),
        sa.ForeignKeyConstraint(["session_id"], ["session.id"], name="fk_arrival_action_session", ondelete="CASCADE"),
    )
    op.create_index("ix_arrival_action_session_id", "arrival_action", ["session_id"])
