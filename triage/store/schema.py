"""Schema: which version of the tables a database holds, and how it gets to the newest.

The versions are the files of ``migrations/versions``, ``v0001_…`` onwards; a database notes its own in the table
alembic_version. Alembic itself is loaded only to migrate: whoever merely opens a store need not wait for it.
"""

from dataclasses import dataclass
from functools import cache
from pathlib import Path

from sqlalchemy import Connection, inspect, text

from triage.domain.errors import StoreError

MIGRATIONS = Path(__file__).parent / "migrations"
MIGRATION_LOCK = 7_261_402  # any number, the same in every copy of this tool: one migrates, the others wait


@dataclass(frozen=True)
class SchemaState:
    """What was found: ``kind`` is empty, newest, older, newer or foreign (tables, but not this tool's)."""

    kind: str
    found: str | None

    def remedy(self, address: str) -> str:
        """Return what was found, what was expected and what to do, as the end of an error message."""
        return {
            "empty": f"the database is empty; `triage intake FOLDER --store {address}` fills it",
            "older": f"schema {self.found} is older than this tool's {newest()}; "
            f"make a copy, then run `triage upgrade --store {address}`",
            "newer": f"schema {self.found} is newer than this tool's {newest()}; install the newer tool",
            "foreign": "the database holds tables of something else; name an empty database",
            "newest": "nothing to do",
        }[self.kind]


def newest() -> str:
    """Return the newest version of the schema that this copy of the tool knows."""
    return versions()[0]


@cache
def versions() -> tuple[str, ...]:
    """Return the versions that this copy of the tool knows, the newest first."""
    files = (MIGRATIONS / "versions").glob("v*.py")
    return tuple(sorted((path.name[1:].partition("_")[0] for path in files), reverse=True))


def state_of(db: Connection) -> SchemaState:
    """Return which schema the database holds, changing nothing."""
    tables = inspect(db).get_table_names()
    noted = "alembic_version" in tables
    found = db.scalar(text("SELECT version_num FROM alembic_version")) if noted else None
    if found is None:
        return SchemaState("foreign" if tables else "empty", None)
    if found == newest():
        return SchemaState("newest", found)
    return SchemaState("older" if found in versions() else "newer", found)


def migrate(db: Connection, version: str = "head") -> None:
    """Bring the database to ``version`` inside the caller's transaction."""
    from alembic import command
    from alembic.config import Config

    if db.dialect.name == "postgresql":
        db.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": MIGRATION_LOCK})
    config = Config()
    # Alembic reads % as the start of a placeholder; a folder may well have one in its name.
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    config.attributes["db"] = db
    command.upgrade(config, version)
    if db.dialect.name == "sqlite" and (rows := db.exec_driver_sql("PRAGMA foreign_key_check").all()):
        where = f"{len(rows)} rows without their owner, the first in table {rows[0][0]}"
        raise StoreError(f"{where}; nothing was changed, go back to a copy from before")
