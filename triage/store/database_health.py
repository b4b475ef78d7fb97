"""Database health: what a database itself reports of it, and rows that have lost their owner.

In: ``db``, one moment of the store. Out: lines, none where all is well. SQLite checks its own pages and indexes;
PostgreSQL, which guards its own while it runs, is asked to read every row and for indexes and constraints that it
does not trust. Owners are looked for row by row on both: SQLite enforces them only while that is on.
"""

from typing import Any

from sqlalchemy import Connection, ForeignKeyConstraint, and_, exists, func, literal_column, select, text
from sqlalchemy.exc import DatabaseError
from sqlalchemy.sql import Select

from triage.store import tables

MOST_LINES = 20  # of what SQLite finds; a torn file has thousands

_UNTRUSTED = """
    SELECT 'index ' || c.relname || ' is not valid' FROM pg_index i JOIN pg_class c ON c.oid = i.indexrelid
    WHERE NOT i.indisvalid
    UNION ALL
    SELECT 'constraint ' || conname || ' of ' || conrelid::regclass || ' was never checked' FROM pg_constraint
    WHERE NOT convalidated
"""


def damage(db: Connection) -> list[str]:
    """Return what the database finds wrong with its own pages, indexes and constraints."""
    if db.dialect.name == "sqlite":
        found = [str(row[0]) for row in db.exec_driver_sql(f"PRAGMA integrity_check({MOST_LINES})")]
        return [line for line in found if line != "ok"]
    return [str(row[0]) for row in db.execute(text(_UNTRUSTED))] + _unreadable(db)


def orphans(db: Connection) -> list[str]:
    """Return a line for each foreign key that points at rows which are not there."""
    lines = []
    for table in tables.metadata.sorted_tables:
        for key in sorted(table.foreign_key_constraints, key=lambda key: tuple(key.column_keys)):
            if count := db.scalar(_lost(key)):
                lines.append(f"{count} rows of {table.name} belong to no {key.referred_table.name}")
    return lines


def _lost(key: ForeignKeyConstraint) -> Select[Any]:
    own, other = key.table, key.referred_table.alias()
    pairs = [(element.parent, other.c[element.column.name]) for element in key.elements]
    owner = exists(literal_column("1")).where(and_(*(theirs == mine for mine, theirs in pairs)))
    named = and_(*(mine.is_not(None) for mine, _ in pairs))
    return select(func.count()).select_from(own).where(named, ~owner.correlate(own))


def _unreadable(db: Connection) -> list[str]:
    """Read every row of every table, so that a damaged page shows now and not when it is needed."""
    lines = []
    for table in tables.metadata.sorted_tables:
        whole = func.length(literal_column(f'("{table.name}".*)::text'))  # the text of a row needs all of its columns
        try:
            with db.begin_nested():
                db.execute(select(func.sum(whole)).select_from(table))
        except DatabaseError as error:
            lines.append(f"table {table.name} cannot be read: {' '.join(str(error.orig).split())}")
    return lines
