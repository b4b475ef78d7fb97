"""How each track ends: a tail that was cut off shows by it."""

import sqlalchemy as sa
from alembic import op

revision = "0015"
down_revision = "0014"


def upgrade() -> None:
    """Add the columns; takes analysed before have none until they are analysed again."""
    op.add_column("floor", sa.Column("end_over_db", sa.Float))
    op.add_column("floor", sa.Column("end_fall_db_s", sa.Float))
