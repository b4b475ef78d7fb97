"""Fixtures for every room: real recordings where they are present, a PostgreSQL server."""

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings

from tests.postgres import Server

# How long one example takes says nothing on a machine that does other things as well.
settings.register_profile("unhurried", deadline=None)
settings.load_profile("unhurried")


def recordings_folder() -> Path | None:
    """Return the folder of real recordings (notes.csv, noise.csv), or None where there is none."""
    named = os.environ.get("TRIAGE_RECORDINGS")
    return Path(named) if named and (Path(named) / "notes.csv").is_file() else None


@pytest.fixture(scope="session")
def recordings() -> Path:
    folder = recordings_folder()
    if folder is None:
        pytest.skip("no real recordings: set TRIAGE_RECORDINGS to a folder with notes.csv and noise.csv")
    return folder


@pytest.fixture(scope="session")
def postgres() -> Iterator[Server]:
    server = Server()
    yield server
    server.stop()
