"""How long the desk's worker compares the notes of a whole library: ``python -m tests.bench.consistency``.

Stores of 10,000 and 100,000 notes, vectors and all; for each of them a process of its own makes the page's sheet over
all sessions. Out: seconds, the peak of its memory, the size of what the page fetches, and how the large one compares
with the small one in this same run. No test: it asserts nothing.
"""

import argparse
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.bench.filled import NOTES, fill
from tests.bench.memory import Peak
from tests.bench.stores import embed
from triage.desk.background_jobs import make_sheet
from triage.store.cached_sheets import ALL, find_sheet
from triage.store.engine import open_store, reading

ALONE = "from tests.bench.consistency import make; import sys; make(sys.argv[1])"
AT_ONCE = 500  # takes whose vectors are stored in one transaction


def main() -> None:
    """Print one line for each size and the ratios."""
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--notes", type=int, nargs=2, default=[10_000, 100_000])
    asked.add_argument("--sessions", type=int, default=10)
    options = asked.parse_args()
    small, large = (measured(notes, options.sessions) for notes in options.notes)
    few, many = options.notes
    print(f"{many / few:.0f} x the notes: {large[0] / small[0]:.1f} x the time, {large[1] / small[1]:.1f} memory")


def measured(notes: int, sessions: int) -> tuple[float, int]:
    """Return the seconds and the bytes of memory that it took to make the sheet, and print them."""
    with tempfile.TemporaryDirectory() as home:
        address = f"sqlite:///{home}/store.db"
        engine = open_store(address)
        fill(engine, Path(home) / "day", sessions, notes // NOTES)
        for first in range(1, notes // NOTES + 1, AT_ONCE):
            embed(engine, range(first, min(first + AT_ONCE, notes // NOTES + 1)))
        began_s = time.perf_counter()
        with subprocess.Popen([sys.executable, "-c", ALONE, address]) as alone, Peak(alone.pid) as peak:
            if alone.wait():
                sys.exit("the sheet could not be made")
        took_s = time.perf_counter() - began_s
        with reading(engine) as db:
            sheet, plot = (find_sheet(db, ALL, what) for what in ("consistency", "consistency/0"))
        engine.dispose()
    assert sheet is not None and plot is not None
    sizes = f"page {len(str(sheet.body)) / 1e3:.0f} kB, first plot {len(str(plot.body)) / 1e3:.0f} kB"
    print(f"{notes} notes: {took_s:.0f} s, {peak.bytes / 1e6:.0f} MB, {sizes}", flush=True)
    return took_s, peak.bytes


def make(address: str) -> None:
    """Make the sheet of all sessions together."""
    make_sheet(open_store(address, create=False), "consistency", ALL)


if __name__ == "__main__":
    main()
