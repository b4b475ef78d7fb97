"""Tables of the takes on people's screens and of what is set for everybody."""

import sqlalchemy as sa
from alembic import op

revision = "0018"
down_revision = "0017"


def upgrade() -> None:
    """Empty at first: nobody has a take, and every setting has its default."""
    op.create_table(
        "lease",
        sa.Column("take_id", sa.Integer, nullable=False),
        sa.Column("session_id", sa.Integer, nullable=False),
        sa.Column("by", sa.Text, nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("take_id", name="pk_lease"),
        sa.ForeignKeyConstraint(["take_id"], ["take.id"], name="fk_lease_take", ondelete="CASCADE"),
        sa.ForeignKeyConstraint(["session_id"], ["session.id"], name="fk_lease_session", ondelete="CASCADE"),
    )
    op.create_index("ix_lease_session_id", "lease", ["session_id"])
    op.create_table(
        "shared_setting",
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("value", sa.JSON, nullable=False),
        sa.Column("by", sa.Text, nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("name", name="pk_shared_setting"),
    )
