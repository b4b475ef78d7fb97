"""Schema: which version of the tables a database holds, and how it gets to the newest.

The versions are the files of ``migrations/versions``; a database notes its own in the table alembic_version.
"""

from dataclasses import dataclass
from functools import cache
from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, inspect, text

from triage.domain.errors import StoreError

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
    scripts = ScriptDirectory.from_config(_config())
    return tuple(script.revision for script in scripts.walk_revisions())


def state_of(db: Connection) -> SchemaState:
    """Return which schema the database holds, changing nothing."""
    found = MigrationContext.configure(db).get_current_revision()
    if found is None:
        return SchemaState("foreign" if inspect(db).get_table_names() else "empty", None)
    if found == newest():
        return SchemaState("newest", found)
    return SchemaState("older" if found in versions() else "newer", found)


def migrate(db: Connection, version: str = "head") -> None:
    """Bring the database to ``version`` inside the caller's transaction."""
    if db.dialect.name == "postgresql":
        db.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": MIGRATION_LOCK})
    config = _config()
    config.attributes["db"] = db
    command.upgrade(config, version)
    if db.dialect.name == "sqlite" and (rows := db.exec_driver_sql("PRAGMA foreign_key_check").all()):
        where = f"{len(rows)} rows without their owner, the first in table {rows[0][0]}"
        raise StoreError(f"{where}; nothing was changed, go back to a copy from before")


def _config() -> Config:
    config = Config()
    # Alembic reads % as the start of a placeholder; a folder may well have one in its name.
    folder = str(Path(__file__).parent / "migrations").replace("%", "%%")
    config.set_main_option("script_location", folder)
    config.set_main_option("path_separator", "os")
    return config
