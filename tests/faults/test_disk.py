"""A disk that is full, folders that cannot be written to: one clear line, nothing lost, and it goes on afterwards."""

import contextlib
import json
import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.faults.mill import heard, unsound
from tests.faults.warm import Warm

KB = 1024


def reported_in_one_line(output: str) -> bool:
    """Tell whether a command ended with one line that says what is wrong, and no traceback."""
    errors = [line for line in output.splitlines() if line.startswith("error: ")]
    return len(errors) == 1 and "Traceback" not in output


@pytest.mark.parametrize("most_kb", [8, 200, 320, 600])
def test_a_file_that_may_not_grow_stops_an_intake_in_one_line(warm: Warm, folder, unchanged, tmp_path, most_kb):
    # RLIMIT_FSIZE: the system refuses to write on, as it does on a full disk, at any stage of the intake.
    address = f"sqlite:///{tmp_path / 'store.db'}"
    status, output = warm.run("intake", folder, "--store", address, most_bytes=most_kb * KB)
    assert status == 1 and reported_in_one_line(output), output
    assert unsound(address) == []
    status, output = warm.run("intake", folder, "--store", address)
    assert status == 0 and "5 takes" in output and unsound(address) == []


@contextlib.contextmanager
def mounted(place: Path, *how: object) -> Iterator[None]:
    """Mount something for a while, which only root may."""
    if os.geteuid() or not shutil.which("mount"):
        pytest.skip("only root may mount a small disk; RLIMIT_FSIZE above does the like")
    done = subprocess.run(["mount", *map(str, how), place], capture_output=True)
    if done.returncode:
        pytest.skip(f"nothing can be mounted here: {done.stderr.decode().strip()}")
    try:
        yield
    finally:
        subprocess.run(["umount", place], check=True)


@contextlib.contextmanager
def small_disk(size_kb: int) -> Iterator[Path]:
    """Give a disk of so many KB."""
    place = Path(tempfile.mkdtemp())
    try:
        with mounted(place, "-t", "tmpfs", "-o", f"size={size_kb}k", "tmpfs"):
            yield place
    finally:
        place.rmdir()


@pytest.mark.parametrize("size_kb", [60, 400, 700])
def test_a_full_disk_stops_an_intake_and_with_room_it_goes_on(warm: Warm, folder, unchanged, size_kb):
    with small_disk(size_kb) as disk:
        address = f"sqlite:///{disk / 'store.db'}"
        status, output = warm.run("intake", folder, "--store", address)
        assert status == 1 and reported_in_one_line(output) and "full" in output, output
        subprocess.run(["mount", "-o", "remount,size=20m", disk], check=True)
        assert unsound(address) == []
        assert warm.run("intake", folder, "--store", address)[0] == 0 and unsound(address) == []


def test_on_a_full_disk_no_verdict_is_confirmed_and_none_is_lost(warm: Warm, folder, unchanged):
    with small_disk(20_000) as disk:
        address = f"sqlite:///{disk / 'store.db'}"
        warm.run("intake", folder, "--store", address)
        assert warm.run("verdict", "T001", "reject", "--by", "anna", "--store", address)[0] == 0
        ballast = disk / "ballast"
        with contextlib.suppress(OSError), ballast.open("wb") as file:
            while True:
                file.write(bytes(KB))
                file.flush()
        confirmed = 1
        for n in range(60):  # what SQLite has in hand already still takes a few
            status, output = warm.run(
                "verdict", "T002", "accept", "--by", "anna", "--reason", f"{n} " + 900 * "x", "--store", address
            )
            confirmed += status == 0
            if status:
                break
        assert status == 1 and reported_in_one_line(output) and "full" in output
        ballast.unlink()
        assert unsound(address) == []
        assert warm.run("verdict", "T003", "accept", "--by", "ben", "--store", address)[0] == 0
        _, listed = warm.run("queue", "--format", "json", "--store", address)
        verdict_of = {take["take"]: take["verdict"] for take in json.loads(listed)["takes"]}
        assert verdict_of["T001"] == "reject" and verdict_of["T003"] == "accept"


def test_a_session_that_may_only_be_read_is_taken_in_like_any_other(warm: Warm, folder, unchanged, tmp_path):
    usual = f"sqlite:///{tmp_path / 'usual.db'}"
    warm.run("intake", folder, "--store", usual)
    with closed_to_writers(folder) as locked:
        address = f"sqlite:///{tmp_path / 'store.db'}"
        status, output = warm.run("intake", locked, "--store", address)
        assert status == 0, output
        queues = [heard(warm.run("queue", "--format", "json", "--store", one)[1]) for one in (usual, address)]
        assert queues[0] == queues[1] and unsound(address) == []
        status, output = warm.run("handover", locked, "--manifest-only")
        assert status == 1 and reported_in_one_line(output) and "cannot be written" in output, output


def test_a_store_in_a_folder_that_may_only_be_read_is_one_line(warm: Warm, folder, unchanged):
    with closed_to_writers(folder) as locked:
        status, output = warm.run("intake", locked, "--store", f"sqlite:///{locked / 'store.db'}")
        assert status == 1 and reported_in_one_line(output) and "store.db" in output, output


@contextlib.contextmanager
def closed_to_writers(folder: Path) -> Iterator[Path]:
    """Give the session in a folder that nobody may write to; root minds no permissions, so for root it is a mount."""
    locked = folder.parent / "locked" / "mill"
    shutil.copytree(folder, locked)
    if not os.geteuid():
        with mounted(locked.parent, "--bind", locked.parent):
            subprocess.run(["mount", "-o", "remount,ro,bind", locked.parent], check=True)
            yield locked
        return
    everything = [locked.parent, locked, *locked.rglob("*")]
    for path in reversed(everything):
        path.chmod(0o555 if path.is_dir() else 0o444)
    yield locked
    for path in everything:
        path.chmod(0o755)
