"""A small session to break, and what must hold of its store and its recordings whatever happens.

Five takes of two short notes on two microphones; one has a note that is plainly too long, so that there is a rank to
compare. ``sound`` is what every fault is followed by.
"""

import hashlib
import json
from pathlib import Path

from tests.sessions import play, row, write_takes
from triage.domain.errors import StoreError
from triage.store.engine import open_store, reading
from triage.transfer.store_check import UNSOUND, look_over

TAKES = ("T001", "T002", "T003", "T004", "T005")
PITCHES = (50, 52)


def write_session(folder: Path, takes: tuple[str, ...] = TAKES, on_sheet: tuple[str, ...] = TAKES) -> Path:
    """Write the session's folder; with fewer takes than are on the sheet, the others are still to come."""
    folder.mkdir(parents=True, exist_ok=True)
    sounds = {name: play(PITCHES, TAKES.index(name)) for name in takes}
    return write_takes(folder, sounds, [row(name, PITCHES, 1) for name in on_sheet])


def hashes(folder: Path) -> dict[str, str]:
    """Return path -> SHA-256 of every file of a folder."""
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    return {str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


def unsound(address: str) -> list[str]:
    """Return what is wrong with a store; one that was not even begun is sound."""
    try:
        engine = open_store(address, create=False)
    except StoreError as error:
        if "no store there" in str(error) or "the database is empty" in str(error):
            return []
        raise
    try:
        with reading(engine) as db:
            return [
                f"{check.what}: {line}" for check in look_over(db) if check.state == UNSOUND for line in check.lines
            ]
    finally:
        engine.dispose()


def heard(queue: str) -> list[dict[str, object]]:
    """Return a queue in JSON without people's words: what two intakes of the same recordings must agree on."""
    return [take | {"verdict": None} for take in json.loads(queue)["takes"]]
