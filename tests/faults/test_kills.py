"""kill -9, twenty times and more; two hundred times a command by ``python -m tests.faults --times 200``."""

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.faults.kills import SCENARIOS

TIMES = {"first-intake": 4, "intake": 5, "verdict": 6, "desk": 2, "retrain": 1, "watch": 2}


@pytest.mark.parametrize("name, times", TIMES.items())
def test_after_a_kill_the_store_is_sound_and_the_next_run_goes_on(sqlite_place, name, times):
    tally = SCENARIOS[name](sqlite_place, times)
    assert tally.wrong == [] and tally.killed + tally.ended_before == times


@pytest.mark.parametrize("name, times", [("intake", 2), ("verdict", 2)])
def test_the_same_holds_on_postgresql(postgres_place, name, times):
    tally = SCENARIOS[name](postgres_place, times)
    assert tally.wrong == [] and tally.killed + tally.ended_before == times


PARENT = """
import os, sys, time
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from triage.processes import end_with_parent

if __name__ == "__main__":
    with ProcessPoolExecutor(1, mp_context=get_context("spawn"), initializer=end_with_parent) as pool:
        print(pool.submit(os.getpid).result(), flush=True)
        time.sleep(600)
"""


def test_the_workers_of_a_killed_intake_end_with_it(tmp_path):
    script = tmp_path / "parent.py"
    script.write_text(PARENT)
    root = str(Path(__file__).parent.parent.parent)
    command = [sys.executable, str(script)]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, text=True, env=os.environ | {"PYTHONPATH": root}
    ) as parent:
        assert parent.stdout is not None
        worker = int(parent.stdout.readline())
        assert alive(worker)
        parent.kill()
    until_s = time.monotonic() + 30
    while alive(worker) and time.monotonic() < until_s:
        time.sleep(0.05)
    assert not alive(worker)


def alive(pid: int) -> bool:
    """Tell whether a process runs; one that ended and that nobody asked for its status does not."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except FileNotFoundError:
        return False
