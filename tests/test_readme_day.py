"""A day with the README alone: every `triage` command of it, run as written and in its order, in an empty folder."""

import json
import os
import re
import shlex
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from tests.sessions import RATE_HZ, play, row, write_takes

README = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")
DAY = README[README.index("## A session of your own") : README.index("## How good")]
BLOCKS = re.findall(r"```sh\n(.*?)```", DAY, re.DOTALL)
COMMANDS = [line.split(" #")[0].strip() for block in BLOCKS for line in block.splitlines()]
NAME = "mill-day2-b"
PROGRAM = """from triage.cli.main import main

if __name__ == "__main__":
    main()
"""
PITCHES = {f"T{n:03}": (48 + n % 5, 50 + n % 5) for n in range(9, 14)}
# A person has to see to something in this session: a microphone's file is missing.
MAY_ASK = ("arrivals", "handover", "receive", "intake")


def write_recordings(folder: Path) -> None:
    """Fill the folder that `triage new` made: five takes of four notes, two with a hole, one without its room."""
    takes = {
        name: play([pitch for pitch in pitches for _ in range(2)], seed)
        for seed, (name, pitches) in enumerate(PITCHES.items())
    }
    for name in ("T010", "T011"):
        loudest = int(np.abs(takes[name][0, : 2 * RATE_HZ]).argmax())
        takes[name][0, loudest : loudest + 960] = 0.0
    write_takes(folder, takes, [row(name, pitches) for name, pitches in PITCHES.items()])
    (folder / "audio" / "T013_room.wav").unlink()


@pytest.fixture
def here(tmp_path, monkeypatch) -> Path:
    """An empty folder in which `triage` is a command, and nothing of this session's settings shows."""
    (tmp_path / "bin").mkdir()
    triage = tmp_path / "bin" / "triage"
    triage.write_text(f"#!{sys.executable}\n{PROGRAM}")
    triage.chmod(0o755)
    monkeypatch.setenv("PATH", f"{tmp_path / 'bin'}{os.pathsep}{os.environ['PATH']}")
    monkeypatch.setenv("PYTHONPATH", str(Path(__file__).parent.parent))
    for name in ("TRIAGE_STORE", "MLFLOW_TRACKING_URI"):
        monkeypatch.delenv(name, raising=False)
    (tmp_path / "day").mkdir()
    monkeypatch.chdir(tmp_path / "day")
    return tmp_path / "day"


def run(line: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(line, shell=True, capture_output=True, text=True, timeout=300)


def run_until(line: str, said: str, times: int = 1) -> str:
    """Run a command that goes on until Ctrl-C, which comes once it has said so; return all that it said."""
    process = subprocess.Popen(shlex.split(line), stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
    assert process.stdout is not None
    told, end_s = "", time.monotonic() + 300
    while told.count(said) < times and time.monotonic() < end_s:
        told += process.stdout.readline()
    process.send_signal(signal.SIGINT)
    told += process.communicate(timeout=60)[0]
    assert process.returncode in (0, 130), told
    return told


def as_written(line: str, here: Path) -> str:
    """Fill in the names that the README leaves to the reader."""
    if "GROUP" in line:
        group = json.loads(run("triage hits --format json").stdout)["groups"][0]["group"]
        line = line.replace("GROUP", group).replace("NAME", "anna")
    return line.replace("FOLDER", str(here))


def test_every_command_of_the_day_works_as_the_readme_writes_it(here, tmp_path, monkeypatch):
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    assert run(f"triage new {NAME}").returncode == 0
    write_recordings(here / NAME)
    assert len(COMMANDS) >= 18 and all(line.startswith("triage ") for line in COMMANDS)
    for line in COMMANDS:
        command = line.split()[1]
        if command == "receive":  # at the editor's: the bag has come, and a store of its own begins
            shutil.move(here / f"{NAME}-bag", elsewhere / f"{NAME}-bag")
            (elsewhere / "verdicts.csv").write_text("take,verdict\nT009,accept\nT010,reject\n")
            monkeypatch.chdir(elsewhere)
            here = elsewhere
        written = as_written(line, here)
        if command == "watch":
            told = run_until(written, " s)\n", len(PITCHES))
            assert all(name in told for name in PITCHES) and "missing: room" in told, told
            continue
        if command == "desk":
            assert "the desk is open at http" in run_until(written, "the desk is open"), line
            continue
        done = run(written)
        allowed = (0, 3) if command in MAY_ASK else (0,)
        assert done.returncode in allowed and "Traceback" not in done.stderr, (line, done.stderr)
        for promised in re.findall(r"(?:--out|>) (\S+)", line):
            assert (here / promised).stat().st_size > 1000, line
    assert "mill-day2-b" in run("triage queue").stdout
    assert run("triage check").returncode == 0
