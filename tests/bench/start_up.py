"""How long a command takes to start and how much memory: ``python -m tests.bench.start_up``.

Each runs on a small store in a process of its own, the least of a few runs, by the clock and of the processor (which
is what a busy machine leaves comparable); beside it, in the same run, an interpreter that does nothing, and one that
only loads the database's library.
"""

import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.planned import PlannedTake, fill, hit
from triage.store.engine import open_store

RUNS = 5
AIM_S, AIM_MB = 0.4, 100
CALL = "from triage.cli.main import main; main()"
# What the process itself had at most; the system's own figure begins with what its parent had.
PEAK = """import atexit, re, sys
atexit.register(lambda: print(re.search(r"VmHWM:\\s+(\\d+)", open("/proc/self/status").read())[1], file=sys.stderr))
"""
COMMANDS = (
    ("--help",),
    ("queue", "--help"),
    ("queue",),
    ("notes",),
    ("hits",),
    ("arrivals",),
    ("pickups",),
    ("keep",),
    ("verdict", "T001", "reject", "--by", "anna"),
    ("models",),
    ("people",),
    ("check",),
)


def run(code: str, *arguments: str, cwd: Path) -> tuple[float, float, float]:
    """Return seconds by the clock, of the processor, and MB of a Python process (Linux)."""
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).parent.parent.parent)}
    began_s, spent_s = time.perf_counter(), _spent_s()
    command = [sys.executable, "-c", PEAK + code, *arguments]
    done = subprocess.run(command, cwd=cwd, capture_output=True, text=True, env=environment)
    assert done.returncode in (0, 3), done.stderr
    megabytes = int(done.stderr.splitlines()[-1]) / 1024
    return time.perf_counter() - began_s, _spent_s() - spent_s, megabytes


def _spent_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def told(name: str, library_s: float, code: str, *arguments: str, cwd: Path) -> float:
    """Print a line: the least times, that of the processor times the database's library, the most memory."""
    clock_s, spent_s, megabytes = zip(*(run(code, *arguments, cwd=cwd) for _ in range(RUNS)), strict=True)
    spent = min(spent_s)
    times = spent / (library_s or spent)
    print(f"{name:<40}{min(clock_s):6.2f} s {spent:6.2f} s of the processor, {times:.1f} x the library", end="")
    print(f"{max(megabytes):6.0f} MB")
    return spent


def main() -> None:
    """Fill a store and time every command on it."""
    with tempfile.TemporaryDirectory() as home:
        folder = Path(home)
        engine = open_store(f"sqlite:///{folder / 'triage.db'}")
        fill(engine, [PlannedTake(f"T{n:03}", (53, 54, 55), hits=(hit("creak", 2),)) for n in range(1, 101)])
        engine.dispose()
        print(f"aims: {AIM_S} s, {AIM_MB} MB")
        told("a bare interpreter", 0.0, "pass", cwd=folder)
        library_s = told("import sqlalchemy", 0.0, "import sqlalchemy", cwd=folder)
        for arguments in COMMANDS:
            told(f"triage {' '.join(arguments)}", library_s, CALL, *arguments, cwd=folder)


if __name__ == "__main__":
    main()
