"""One warm process for all tests of faults, and a session's folder that must be byte for byte the same afterwards."""

import random
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.faults.kills import Place
from tests.faults.mill import hashes, write_session
from tests.faults.warm import Warm
from tests.postgres import Server


@pytest.fixture(scope="session")
def warm(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Warm]:
    """Return the process that forks commands."""
    running = Warm(tmp_path_factory.mktemp("warm"))
    yield running
    running.stop()


@pytest.fixture(params=["sqlite", "postgresql"])
def address(request: pytest.FixtureRequest, tmp_path: Path, postgres: Server) -> str:
    """Return the address of an empty store on each database."""
    return f"sqlite:///{tmp_path / 'store.db'}" if request.param == "sqlite" else postgres.empty_database()


@pytest.fixture
def sqlite_place(tmp_path: Path, warm: Warm) -> Place:
    """Return where a scenario of kills works on SQLite."""
    return Place(tmp_path, f"sqlite:///{tmp_path / 'store.db'}", warm, random.Random(7))


@pytest.fixture
def postgres_place(tmp_path: Path, warm: Warm, postgres: Server) -> Place:
    """Return where a scenario of kills works on PostgreSQL."""
    return Place(tmp_path, postgres.empty_database(), warm, random.Random(8))


@pytest.fixture(scope="session")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write the session once; each test gets a copy."""
    return write_session(tmp_path_factory.mktemp("written") / "mill")


@pytest.fixture
def folder(written: Path, tmp_path: Path) -> Path:
    """Return a session's folder; a test that does not change it itself finds ``unchanged`` beside it."""
    return Path(shutil.copytree(written, tmp_path / "mill"))


@pytest.fixture
def unchanged(folder: Path) -> Iterator[None]:
    """Hold that every file of the session is byte for byte the same at the end of the test."""
    before = hashes(folder)
    yield
    assert hashes(folder) == before
