"""A desk with a small session, on SQLite, and one for the tests that want both databases."""

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from sqlalchemy import update

from tests.desk.server.evening import fill
from tests.desk.server.served import Served
from tests.postgres import Server
from triage.desk.settings import DeskSettings
from triage.store.engine import open_store, writing
from triage.store.tables import session

Serve = Callable[..., Served]


@pytest.fixture(scope="session")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make the session and its store once; each test gets a copy."""
    home = tmp_path_factory.mktemp("evening")
    engine = open_store(f"sqlite:///{home / 'store.db'}")
    fill(engine, home / "mill")
    engine.dispose()
    return home


@pytest.fixture
def store(made: Path, tmp_path: Path) -> str:
    """Return the address of a store with the session, its recordings in ``mill`` beside it."""
    shutil.copytree(made, tmp_path, dirs_exist_ok=True)
    address = f"sqlite:///{tmp_path / 'store.db'}"
    engine = open_store(address)
    with writing(engine) as db:
        db.execute(update(session).values(folder=str(tmp_path / "mill")))
    engine.dispose()
    return address


@pytest.fixture
def serve() -> Iterator[Serve]:
    """Return what serves desks; they are stopped at the end of the test."""
    running: list[Served] = []

    def start(address: str, **settings: object) -> Served:
        running.append(Served(DeskSettings(address, poll_s=0.05, **settings)))  # type: ignore[arg-type]
        return running[-1]

    yield start
    for one in running:
        one.stop()


@pytest.fixture
def desk(serve: Serve, store: str) -> Served:
    return serve(store)


@pytest.fixture(params=["sqlite", "postgresql"])
def either_desk(request: pytest.FixtureRequest, serve: Serve, tmp_path: Path, postgres: Server) -> Served:
    """Return a desk on each database, with the session."""
    address = f"sqlite:///{tmp_path / 'store.db'}" if request.param == "sqlite" else postgres.empty_database()
    engine = open_store(address)
    fill(engine, tmp_path / "mill")
    engine.dispose()
    return serve(address)
