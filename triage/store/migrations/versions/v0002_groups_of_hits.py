"""Groups of noise hits, marks of the harmless ones, and backgrounds band by band."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Add what the noise sheet needs."""
    op.add_column("hit", sa.Column("group", sa.Text))
    op.add_column("hit", sa.Column("harmless", sa.Boolean, nullable=False, server_default=sa.false()))
    op.add_column("floor", sa.Column("a_dbfs", sa.Float))
    op.add_column("floor", sa.Column("octaves_dbfs", sa.JSON))
    op.add_column("session", sa.Column("full_scale_db_spl", sa.JSON))
    op.create_table(
        "mark",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("group", sa.Text, nullable=False),
        sa.Column("harmless", sa.Boolean, nullable=False),
        sa.Column("loudest_dbfs", sa.Float),
        sa.Column("session", sa.Text, nullable=False),
        sa.Column("by", sa.Text, nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_mark"),
    )
    op.create_index("ix_mark_group", "mark", ["group"])
