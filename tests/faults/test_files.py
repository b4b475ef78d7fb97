"""Recordings that vanish or change while they are read: that take says so and is heard again, all others are heard.

A file is changed at a known place: when its first block has been read. Without that, as copies do it, by another
process at a random moment.
"""

import os
import random
import shutil
import threading
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.commands import asked, run
from tests.faults.mill import TAKES, hashes, heard, unsound
from triage.analysis import workers
from triage.intake import wav


def vanish(path: Path) -> None:
    path.unlink()


def empty(path: Path) -> None:
    os.truncate(path, 0)


def cut(path: Path) -> None:
    os.truncate(path, path.stat().st_size // 2)


def grow(path: Path) -> None:
    with path.open("ab") as file:
        file.write(bytes(100_000))


def be_another(path: Path) -> None:
    other = path.with_suffix(".new")
    soundfile.write(other, np.zeros(48_000), 48_000, subtype="PCM_24")
    other.replace(path)


def become_a_folder(path: Path) -> None:
    path.unlink()
    path.mkdir()


CHANGES = (vanish, empty, cut, grow, be_another, become_a_folder)


@pytest.fixture
def alone(monkeypatch):
    monkeypatch.setattr(workers, "cores", lambda: 1)


@pytest.fixture
def while_read(monkeypatch, alone):
    """Return what lets something happen to a file when its first block has been read."""

    def let(path: Path, happen) -> None:
        blocks, left = wav.blocks, [1]

        def watched(read: Path, *how):
            for block in blocks(read, *how):
                if Path(read) == path and left and left.pop():
                    happen(path)
                yield block

        monkeypatch.setattr(wav, "blocks", watched)

    return let


@pytest.mark.parametrize("happen, mic", [*((happen, "close") for happen in CHANGES), (vanish, "room"), (cut, "room")])
def test_a_file_that_changes_while_it_is_read_costs_at_most_its_own_take(folder, tmp_path, while_read, happen, mic):
    address = f"sqlite:///{tmp_path / 'store.db'}"
    path = folder / "audio" / f"T003_{mic}.wav"
    kept = path.read_bytes()
    others = {name: value for name, value in hashes(folder).items() if "T003_" not in name}
    while_read(path, happen)
    output = run("intake", folder, "--store", address)
    assert output.status in (0, 3) and "5 takes, 5 of them new" in output.out and "Traceback" not in output.err
    (line,) = [line for line in output.err.splitlines() if line.startswith("note: T003")]
    assert "changed while it was read" in line or "could not be analysed" in line or "cannot be read" in line
    notes = [note["take"] for note in asked("notes", address)["notes"]]
    assert all(notes.count(take) == 2 for take in TAKES if take != "T003")
    assert unsound(address) == []

    # The next run finds it whole again, hears it anew and nothing else.
    shutil.rmtree(path) if path.is_dir() else path.unlink(missing_ok=True)
    path.write_bytes(kept)
    output = run("intake", folder, "--store", address)
    assert output.status == 0 and "5 takes, 1 of them new" in output.out and "T003" not in output.err
    assert [note["take"] for note in asked("notes", address)["notes"]].count("T003") == 2
    assert unsound(address) == [] and {name: hashes(folder)[name] for name in others} == others


@pytest.mark.parametrize("seed", [1])
def test_files_that_come_and_go_all_the_time_leave_a_sound_store(folder, tmp_path, alone, seed):
    address, chance, over = f"sqlite:///{tmp_path / 'store.db'}", random.Random(seed), threading.Event()
    away, before = tmp_path / "away", hashes(folder)
    away.mkdir()

    def come_and_go() -> None:
        while not over.wait(0.01):
            path = chance.choice(sorted((folder / "audio").iterdir()))
            path.rename(away / path.name)
            over.wait(0.03)
            (away / path.name).rename(path)

    restless = threading.Thread(target=come_and_go)
    restless.start()
    for _ in range(3):
        output = run("intake", folder, "--store", address)
        assert output.status in (0, 3) and unsound(address) == []
    over.set()
    restless.join()
    assert run("intake", folder, "--store", address).status == 0 and unsound(address) == []
    other = f"sqlite:///{tmp_path / 'other.db'}"
    run("intake", folder, "--store", other)
    queues = [heard(run("queue", "--format", "json", "--store", one).out) for one in (address, other)]
    assert queues[0] == queues[1]
    assert hashes(folder) == before
