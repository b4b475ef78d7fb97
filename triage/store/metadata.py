"""What all tables share: one collection with a naming convention for indexes, and the column of their owner."""

from sqlalchemy import Column, ForeignKey, Integer, MetaData

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "fk": "fk_%(table_name)s_%(referred_table_name)s",
        "pk": "pk_%(table_name)s",
    }
)


def owned_by(owner: str, ondelete: str = "CASCADE") -> Column[int]:
    """Return the foreign key to the row of ``owner`` that a row belongs to."""
    return Column(f"{owner}_id", Integer, ForeignKey(f"{owner}.id", ondelete=ondelete), nullable=False)
