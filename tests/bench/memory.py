"""Memory and time of a process and of all that it started: shared pages are counted once (PSS, Linux)."""

import os
import threading
import time
from pathlib import Path

EVERY_S = 0.25


class Peak:
    """The highest memory of a process tree while the block lasts, in bytes, and the processor's time that each of it
    was last seen with, in all; 0 where the system does not tell."""

    def __init__(self, pid: int):
        self.pid, self.bytes = pid, 0
        self._spent_s: dict[int, float] = {}
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._watch, daemon=True)

    def __enter__(self) -> "Peak":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ended.set()
        self._thread.join()

    def _watch(self) -> None:
        while not self._ended.is_set():
            every = tree(self.pid)
            self.bytes = max(self.bytes, sum(map(_pss_bytes, every)))
            self._spent_s |= {pid: max(_cpu_s(pid), self._spent_s.get(pid, 0.0)) for pid in every}
            time.sleep(EVERY_S)

    @property
    def cpu_s(self) -> float:
        """Time of the processor, of all processes that were seen, in seconds."""
        return sum(self._spent_s.values())


def tree(pid: int) -> list[int]:
    """Return a process and all that it started."""
    found, waiting = [], [pid]
    while waiting:
        found.append(waiting.pop())
        for path in Path(f"/proc/{found[-1]}/task").glob("*/children"):
            try:
                waiting += [int(child) for child in path.read_text().split()]
            except OSError:
                continue
    return found


def _pss_bytes(pid: int) -> int:
    try:
        lines = Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
    except OSError:  # it has just ended, or this is another system
        return 0
    return sum(1024 * int(line.split()[1]) for line in lines if line.startswith("Pss:"))


def _cpu_s(pid: int) -> float:
    try:
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    except OSError:
        return 0.0
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def cores() -> int:
    """Return how many cores this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
