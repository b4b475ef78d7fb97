"""A store for each test, once on SQLite and once on a real PostgreSQL that pip installed.

Each test begins with an empty database, which it may fill and break as it likes.
"""

from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path

import pytest
from sqlalchemy import Engine

from tests.postgres import Server
from triage.domain.session import Session
from triage.store.engine import open_store, writing
from triage.store.takes import save_session


@pytest.fixture(params=["sqlite", "postgresql"])
def address(request: pytest.FixtureRequest, tmp_path: Path, postgres: Server) -> str:
    """Return the address of an empty database."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'store.db'}"
    return postgres.empty_database()


@pytest.fixture
def opened() -> Iterator[Callable[[str], Engine]]:
    """Return ``open_store``, whose engines are closed at the end of the test."""
    engines: list[Engine] = []

    def open_one(address: str, create: bool = True) -> Engine:
        engines.append(open_store(address, create))
        return engines[-1]

    yield open_one
    for engine in engines:
        engine.dispose()


@pytest.fixture
def engine(address: str, opened: Callable[[str], Engine]) -> Engine:
    return opened(address)


@pytest.fixture
def session_id(engine: Engine) -> int:
    """Store one session without takes."""
    with writing(engine) as db:
        record = Session("mill-day2-b", "mill", date(2026, 3, 14), 48_000, 442.0, "close")
        return save_session(db, record)
