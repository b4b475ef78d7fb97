"""Making: how a page gets a sheet of a whole session: kept in the store, made by a process beside the desk.

In: which sheet of which session. Out: the sheet as it was made last, and whether it still holds. What does not hold
is asked of the maker, and waited for a moment if it is quickly made; the page comes anew once it is there.
"""

import contextlib
import json
import os
import subprocess
import sys
import threading
import time
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Engine

from triage.desk.sheet_views import FORM
from triage.store.cached_sheets import find_sheet, state_of
from triage.store.engine import reading

COMMAND = (sys.executable, "-P", "-m", "triage.desk.maker")  # -P: nothing of the folder one is in is run
PATIENCE_S = 0.05  # of a page for a sheet that is nearly made
AGAIN_S = 10.0  # before a maker that ended is started anew


@dataclass(frozen=True)
class Sheet:
    """What a page shows: None where it was never made; ``holds`` is whether nothing changed since."""

    body: Any
    made_at: datetime | None
    holds: bool
    cost_s: float = 0.0


class Making:
    """The maker and what was asked of it; lives as long as the desk."""

    def __init__(self, engine: Engine, store: str):
        self._engine, self._store = engine, store
        self._lock = threading.Condition()
        self._asked: set[tuple[str, int]] = set()
        self._process: subprocess.Popen[str] | None = None
        self._follower: threading.Thread | None = None
        self._started_s = -AGAIN_S
        self._ended = False

    def sheet(self, db: Connection, what: str, session_id: int, part: str = "") -> Sheet:
        """Return a sheet, or a part of it, as it stands in the store."""
        found = _found(db, what, session_id, part)
        if found.holds:
            return found
        self.ask(what, session_id)
        if found.cost_s > PATIENCE_S:
            return found
        with self._lock:
            done = self._lock.wait_for(lambda: (what, session_id) not in self._asked, PATIENCE_S)
        if not done:
            return found
        with reading(self._engine) as later:  # ``db`` goes on seeing the moment that it began in
            return _found(later, what, session_id, part)

    def ask(self, what: str, session_id: int) -> None:
        """Have a sheet made before its turn, unless it is asked for already."""
        with self._lock:
            if self._started() and (what, session_id) not in self._asked:
                self._asked.add((what, session_id))
                self._tell((what, session_id))

    def start(self) -> None:
        """Start the maker before anybody asks."""
        with self._lock:
            self._started()

    def end(self) -> None:
        """End the maker, because the desk ends."""
        with self._lock:
            self._ended, process = True, self._process
        if process is not None:
            process.kill()  # it holds nothing that the database would not undo
            process.wait()
            if self._follower is not None:
                self._follower.join()

    def _started(self) -> bool:
        if self._process is not None and self._process.poll() is None:
            return True
        if self._ended or time.monotonic() - self._started_s < AGAIN_S:
            return False
        self._started_s = time.monotonic()
        self._asked.clear()
        self._process = subprocess.Popen(
            COMMAND,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            bufsize=1,
            env=os.environ | {"TRIAGE_STORE": self._store},  # not an argument: it may hold a password
            start_new_session=True,  # Ctrl-C ends the desk, and the desk ends the maker
        )
        self._follower = threading.Thread(target=self._follow, args=(self._process,), daemon=True)
        self._follower.start()
        return True

    def _tell(self, which: tuple[str, int]) -> None:
        assert self._process is not None and self._process.stdin is not None
        try:
            self._process.stdin.write(json.dumps(which) + "\n")
            self._process.stdin.flush()
        except OSError:
            self._asked.discard(which)  # it has just ended; whoever asks next starts another

    def _follow(self, process: "subprocess.Popen[str]") -> None:
        assert process.stdout is not None and process.stdin is not None
        with process.stdout:
            for line in process.stdout:
                what, session_id = json.loads(line)
                with self._lock:
                    self._asked.discard((what, session_id))
                    self._lock.notify_all()
        with self._lock:
            self._asked.clear()
            self._lock.notify_all()
        with contextlib.suppress(OSError):  # what was written too late breaks the pipe once more
            process.stdin.close()
        process.wait()


def _found(db: Connection, what: str, session_id: int, part: str) -> Sheet:
    kept = find_sheet(db, session_id, f"{what}/{part}" if part else what)
    if kept is None:
        return Sheet(None, None, False)
    return Sheet(kept.body, kept.made_at, kept.of == state_of(db, session_id, FORM), kept.cost_s)
