"""Background jobs of the desk: sheets of whole sessions, so that no page waits for one, and one command at a time.

Sheets are made by a worker process of low priority, before their turn where a page asks, else once a change of takes
or verdicts has overtaken them; it rests between as long as it worked, or longer unasked. A command is one of this
tool, such as `triage retrain`; the lines it prints are kept for the page to show. All of it ends with the desk.
"""

import os
import signal
import subprocess
import sys
import threading
import time
import traceback
from collections import deque
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cache
from importlib.metadata import entry_points
from multiprocessing import get_context
from typing import Any

from sqlalchemy import Connection, Engine

from triage.desk.sheet_views import FORM, SHEETS
from triage.domain.errors import ConfigError, TriageError
from triage.processes import end_with_parent
from triage.store.cached_sheets import cached_state, find_sheet, save_sheet_parts, state_of
from triage.store.changes import all_changes
from triage.store.engine import open_store, reading, writing

LOOK_S = 2.0  # how often the store is asked which sheets were overtaken
PAUSES, PAUSES_UNASKED = 1.0, 4.0  # times as long as a sheet took, before it is made again
WAIT_S = 0.05  # of a page for a sheet that is nearly made
AGAIN_S = 10.0  # before a worker that was lost is replaced
NICE = 2  # of the worker: pages come first
# -P: a session folder that the desk is started in may hold a numpy.py; it is not to be run.
COMMAND = (sys.executable, "-P", "-c", "from triage.cli.main import main; main()")
PLUG_INS = "triage.commands"
LINES = 400  # kept of what a command prints
ENDING_S = 5.0  # for a command to end after it is asked to
Which = tuple[str, int]  # a sheet and its session


@dataclass(frozen=True)
class Sheet:
    """What a page shows: None where it was never made; ``holds`` is whether nothing has changed since."""

    body: Any
    made_at: datetime | None
    holds: bool
    cost_s: float = 0.0


@dataclass
class Command:
    """A command that runs or ran: who started it, when, what it printed, and its exit status once it is over."""

    what: str
    by: str
    process: subprocess.Popen[str]
    started_at: datetime = field(default_factory=lambda: datetime.now(UTC))
    lines: deque[str] = field(default_factory=lambda: deque(maxlen=LINES))
    status: int | None = None

    @property
    def state(self) -> str:
        """Return running, done or failed."""
        return "running" if self.status is None else "done" if self.status == 0 else "failed"


class BackgroundJobs:
    """The sheets that are asked for and the command that runs; lives as long as the desk."""

    def __init__(self, engine: Engine, store: str):
        self._engine, self._store = engine, store
        self._changed = threading.Condition()
        self._asked: list[Which] = []
        self._made: dict[Which, tuple[float, float]] = {}  # ended at, cost, in seconds
        self._failed: dict[Which, dict[str, int]] = {}  # change numbers at which it could not be made
        self._settled: dict[int, dict[str, int]] | None = None  # change numbers at which every sheet holds
        self._looked_s = self._lost_s = -AGAIN_S
        self._worker: _Worker | None = None
        self._thread: threading.Thread | None = None
        self._ended = False
        self.command: Command | None = None  # the one that runs, or the last one that did

    def start(self) -> None:
        """Start making sheets, unless that has begun."""
        with self._changed:
            if self._thread is None and not self._ended:
                self._thread = threading.Thread(target=self._make_sheets, daemon=True)
                self._thread.start()

    def sheet(self, db: Connection, what: str, session_id: int, part: str = "") -> Sheet:
        """Return a sheet, or a part of it, as the store holds it; one that no longer holds is asked for."""
        found = _found(db, what, session_id, part)
        if found.holds:
            return found
        self.ask(what, session_id)
        if found.cost_s > WAIT_S:
            return found
        with self._changed:
            done = self._changed.wait_for(lambda: (what, session_id) not in self._asked, WAIT_S)
        if not done:
            return found
        with reading(self._engine) as later:  # ``db`` goes on seeing the moment that it began in
            return _found(later, what, session_id, part)

    def ask(self, what: str, session_id: int) -> None:
        """Have a sheet made before its turn, unless it is asked for already."""
        self.start()
        with self._changed:
            if (what, session_id) not in self._asked:
                self._asked.append((what, session_id))
                self._changed.notify_all()

    def run(self, arguments: Sequence[str], by: str) -> Command:
        """Start a command of this tool on the desk's store; while another runs, that is an error."""
        with self._changed:
            if self.command is not None and self.command.status is None:
                raise ConfigError(
                    f"`triage {self.command.what}` of {self.command.by} still runs; wait until it is over"
                )
            process = subprocess.Popen(
                [*COMMAND, *arguments],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.STDOUT,
                text=True,
                errors="replace",
                env=os.environ | {"TRIAGE_STORE": self._store},  # not an argument: it may hold a password
            )
            self.command = Command(arguments[0], by, process)
        threading.Thread(target=_keep_lines, args=(self.command,), daemon=True).start()
        return self.command

    def end(self) -> None:
        """End the worker and the command, because the desk ends."""
        with self._changed:
            self._ended = True
            self._changed.notify_all()
        if self._worker is not None:
            self._worker.kill()  # what it was making is undone by the database
        if self._thread is not None:
            self._thread.join()
        if self.command is not None and self.command.process.poll() is None:
            self.command.process.terminate()
            try:
                self.command.process.wait(ENDING_S)
            except subprocess.TimeoutExpired:
                self.command.process.kill()

    def _make_sheets(self) -> None:
        while not self._ended:
            if which := self._due():
                self._make(which)
                continue
            with self._changed:
                if not self._ended:
                    self._changed.wait(LOOK_S / 20 if self._asked else LOOK_S)

    def _due(self) -> Which | None:
        """Return a sheet to be made now: one that was asked for, else one that was overtaken."""
        now_s = time.monotonic()
        if now_s - self._lost_s < AGAIN_S:
            return None
        if asked := next((which for which in list(self._asked) if self._rested(which, PAUSES)), None):
            return asked
        if self._asked or now_s - self._looked_s < LOOK_S:
            return None
        found = self._overtaken()
        self._looked_s = now_s if found is None else -LOOK_S
        return found

    def _rested(self, which: Which, times: float) -> bool:
        ended_s, cost_s = self._made.get(which, (-1e9, 0.0))
        return time.monotonic() >= ended_s + times * cost_s

    def _overtaken(self) -> Which | None:
        """Return a sheet that no longer holds and has rested, of the newest session first."""
        try:
            with reading(self._engine) as db:
                numbers = all_changes(db)
                if numbers == self._settled:
                    return None  # an idle desk looks at its counters and at nothing else
                kept = cached_state(db, SHEETS)
        except TriageError:
            return None  # the store is away; it is asked again
        every = [(what, session_id) for session_id in sorted(numbers, reverse=True) for what in SHEETS]
        waiting = []
        for what, session_id in every:
            now = numbers[session_id]
            tried = self._failed.get((what, session_id)) == now
            if now["takes"] and not tried and kept.get((session_id, what)) != (now["takes"], now["verdicts"], FORM):
                waiting.append((what, session_id))
        self._settled = None if waiting else numbers
        return next((which for which in waiting if self._rested(which, PAUSES_UNASKED)), None)

    def _make(self, which: Which) -> None:
        began_s = time.monotonic()
        try:
            self._worker = self._worker or _Worker(self._store)
            self._worker.make(*which)
        except (BrokenProcessPool, OSError):
            self._worker, self._lost_s = None, time.monotonic()
        except TriageError as error:
            print(f"{which[0]} of session {which[1]}: {error}", file=sys.stderr, flush=True)
            self._give_up(which)
        except Exception:  # a fault of one sheet is reported, and the others are made all the same
            traceback.print_exc()
            self._give_up(which)
        now_s = time.monotonic()
        with self._changed:
            # After an error too: what cannot be made is not tried over and over.
            self._made[which] = now_s, max(now_s - began_s, 0.01)
            if self._worker is not None and which in self._asked:
                self._asked.remove(which)
            self._changed.notify_all()

    def _give_up(self, which: Which) -> None:
        """Try a sheet again once its session has changed, or a page asks for it."""
        try:
            with reading(self._engine) as db:
                self._failed[which] = all_changes(db).get(which[1], {})
        except TriageError:
            pass  # the store is away, which may well be why: it is tried again


class _Worker:
    """A process of low priority with the store open."""

    def __init__(self, store: str):
        self._pool = ProcessPoolExecutor(1, get_context("spawn"), _begin, (store,))
        before = os.environ.get("PYTHONSAFEPATH")
        os.environ["PYTHONSAFEPATH"] = "1"  # as -P of COMMAND
        try:
            self._pid = self._pool.submit(os.getpid).result()
        finally:
            os.environ.pop("PYTHONSAFEPATH")
            if before is not None:
                os.environ["PYTHONSAFEPATH"] = before

    def make(self, what: str, session_id: int) -> None:
        self._pool.submit(_make_here, what, session_id).result()

    def kill(self) -> None:
        try:
            os.kill(self._pid, signal.SIGKILL if hasattr(signal, "SIGKILL") else signal.SIGTERM)
        except ProcessLookupError:
            pass
        self._pool.shutdown(cancel_futures=True)


_here: list[Engine] = []  # the worker's store


def _begin(store: str) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C ends the desk, and the desk ends this
    end_with_parent()
    if hasattr(os, "nice"):  # not on every system
        os.nice(NICE)
    _here.append(open_store(store, create=False))


def _make_here(what: str, session_id: int) -> None:
    make_sheet(_here[0], what, session_id)


def make_sheet(engine: Engine, what: str, session_id: int) -> bool:
    """Make one sheet and keep it, unless the one that is kept still holds; return whether it was made."""
    began_s = time.perf_counter()
    with reading(engine) as db:
        of, before = state_of(db, session_id, FORM), find_sheet(db, session_id, what)
        if before is not None and before.of == of:
            return False
        parts = SHEETS[what](db, session_id)
    with writing(engine) as db:
        save_sheet_parts(db, session_id, parts, of, time.perf_counter() - began_s)
    return True


@cache  # looking through all that is installed takes 50 ms
def is_installed(command: str) -> bool:
    """Tell whether another package brings this command."""
    return bool(entry_points(group=PLUG_INS, name=command))


def _found(db: Connection, what: str, session_id: int, part: str) -> Sheet:
    kept = find_sheet(db, session_id, f"{what}/{part}" if part else what)
    if kept is None:
        return Sheet(None, None, False)
    return Sheet(kept.body, kept.made_at, kept.of == state_of(db, session_id, FORM), kept.cost_s)


def _keep_lines(command: Command) -> None:
    assert command.process.stdout is not None
    for line in command.process.stdout:  # universal newlines: a progress bar's carriage returns end a line as well
        if line.strip():
            command.lines.append(line.rstrip())
    command.process.stdout.close()
    command.status = command.process.wait()
