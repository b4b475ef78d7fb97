"""How long a command takes to start and how much memory: ``python -m tests.bench.start_up``.

Each runs on a small store in a process of its own, the median of a few runs; beside it, in the same run, an
interpreter that does nothing, and one that only loads the database's library.
"""

import os
import statistics
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


def run(code: str, *arguments: str, cwd: Path) -> tuple[float, float]:
    """Return seconds and MB of a Python process (Linux)."""
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).parent.parent.parent)}
    began_s = time.perf_counter()
    command = [sys.executable, "-c", PEAK + code, *arguments]
    done = subprocess.run(command, cwd=cwd, capture_output=True, text=True, env=environment, check=True)
    return time.perf_counter() - began_s, int(done.stderr.splitlines()[-1]) / 1024


def told(name: str, bare_s: float, code: str, *arguments: str, cwd: Path) -> None:
    """Print a line: the median time, times a bare interpreter, the most memory."""
    found = [run(code, *arguments, cwd=cwd) for _ in range(RUNS)]
    seconds, megabytes = statistics.median(s for s, _ in found), max(mb for _, mb in found)
    print(f"{name:<40} {seconds:6.2f} s  {seconds / bare_s:5.1f} x bare  {megabytes:5.0f} MB")


def main() -> None:
    """Fill a store and time every command on it."""
    with tempfile.TemporaryDirectory() as home:
        folder = Path(home)
        engine = open_store(f"sqlite:///{folder / 'triage.db'}")
        fill(engine, [PlannedTake(f"T{n:03}", (53, 54, 55), hits=(hit("creak", 2),)) for n in range(1, 101)])
        engine.dispose()
        bare_s = statistics.median(run("pass", cwd=folder)[0] for _ in range(RUNS))
        print(f"aims: {AIM_S} s, {AIM_MB} MB; a bare interpreter takes {bare_s:.2f} s")
        told("import sqlalchemy", bare_s, "import sqlalchemy", cwd=folder)
        for arguments in COMMANDS:
            told(f"triage {' '.join(arguments)}", bare_s, CALL, *arguments, cwd=folder)


if __name__ == "__main__":
    main()
