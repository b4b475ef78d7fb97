"""Jobs: long commands that the desk starts for somebody, one at a time, as processes of their own.

A job is a command line of this tool; what it says, line by line, is kept for the page to show. It goes on when the
page is closed and ends with the desk.
"""

import os
import subprocess
import sys
import threading
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cache
from importlib.metadata import entry_points

from triage.domain.errors import ConfigError

# -P: a session folder that the desk is started in may hold a numpy.py; it is not to be run.
COMMAND = (sys.executable, "-P", "-c", "from triage.cli.main import main; main()")
PLUG_INS = "triage.commands"
LINES = 400  # kept of what a job says
PATIENCE_S = 5.0  # for a job to end when it is told to


@dataclass
class Job:
    """One command that runs or ran: who started it, when, what it said, and its exit status once it is over."""

    what: str
    by: str
    process: subprocess.Popen[str]
    started_at: datetime = field(default_factory=lambda: datetime.now(UTC))
    lines: deque[str] = field(default_factory=lambda: deque(maxlen=LINES))
    status: int | None = None
    follower: threading.Thread | None = None

    @property
    def state(self) -> str:
        """Return running, done or failed."""
        return "running" if self.status is None else "done" if self.status == 0 else "failed"


class Jobs:
    """The job that runs, or the last one that did."""

    def __init__(self, store: str):
        self._store = store
        self._lock = threading.Lock()
        self.last: Job | None = None

    def start(self, arguments: Sequence[str], by: str) -> Job:
        """Start a command of this tool on the desk's store; while another runs, that is an error."""
        with self._lock:
            if self.last is not None and self.last.status is None:
                raise ConfigError(f"`triage {self.last.what}` of {self.last.by} still runs; wait until it is over")
            process = subprocess.Popen(
                [*COMMAND, *arguments],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.STDOUT,
                text=True,
                errors="replace",
                env=os.environ | {"TRIAGE_STORE": self._store},  # not an argument: it may hold a password
            )
            self.last = Job(arguments[0], by, process)
        self.last.follower = threading.Thread(target=_follow, args=(self.last,), daemon=True)
        self.last.follower.start()
        return self.last

    def end(self) -> None:
        """End what runs, because the desk ends."""
        job = self.last
        if job is None or job.process.poll() is not None:
            return
        job.process.terminate()
        try:
            job.process.wait(PATIENCE_S)
        except subprocess.TimeoutExpired:
            job.process.kill()


@cache  # looking through all that is installed takes 50 ms
def is_installed(command: str) -> bool:
    """Tell whether another package brings this command."""
    return bool(entry_points(group=PLUG_INS, name=command))


def _follow(job: Job) -> None:
    assert job.process.stdout is not None
    for line in job.process.stdout:  # universal newlines: a progress bar's carriage returns end a line as well
        if line.strip():
            job.lines.append(line.rstrip())
    job.process.stdout.close()
    job.status = job.process.wait()
