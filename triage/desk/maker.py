"""The maker: a process beside the desk that makes the sheets of whole sessions, so that no page waits for one.

``python -m triage.desk.maker`` with TRIAGE_STORE set. In, a line each: ``["pickups", 3]`` asks for a sheet of a
session before its turn. Out, a line each: the same once it is kept. Unasked it makes what a change of takes or
verdicts has overtaken. It rests between as long as it worked, or longer unasked, and ends when its input does, so
with the desk, however that ends.
"""

import json
import os
import queue
import sys
import threading
import time
import traceback
from dataclasses import dataclass, field

from sqlalchemy import Engine

from triage.config import store_url
from triage.desk.sheet_views import FORM, SHEETS
from triage.domain.errors import TriageError
from triage.store.cached_sheets import find_sheet, kept_state, save_sheet_parts, state_of
from triage.store.changes import all_changes
from triage.store.engine import open_store, reading, writing

LOOK_S = 2.0  # how often the store is asked what was overtaken
RESTS, RESTS_UNASKED = 1.0, 4.0  # times as long as the sheet took, before it is made again
POLITE = 2  # nice value: pages come first
Which = tuple[str, int]  # a sheet and its session


def make(engine: Engine, what: str, session_id: int) -> bool:
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


@dataclass
class Maker:
    """What was asked for, and when each sheet was made and how long that took."""

    engine: Engine
    asked: "queue.Queue[Which]"
    waiting: list[Which] = field(default_factory=list)
    made: dict[Which, tuple[float, float]] = field(default_factory=dict)  # ended at, cost, in seconds

    def run(self) -> None:
        """Make sheets for as long as the process lives."""
        looked_s = 0.0
        while True:
            self._hear(LOOK_S / 20 if self.waiting else LOOK_S)
            if due := next((which for which in self.waiting if self._rested(which, RESTS)), None):
                self.waiting.remove(due)
                self._make(due)
                print(json.dumps(due), flush=True)
            elif time.monotonic() - looked_s >= LOOK_S:
                while not self.waiting and (found := self._overtaken()):
                    self._make(found)
                    self._hear(0.0)
                looked_s = time.monotonic()

    def _hear(self, wait_s: float) -> None:
        try:
            which = self.asked.get(timeout=wait_s) if wait_s else self.asked.get_nowait()
        except queue.Empty:
            return
        if which not in self.waiting:
            self.waiting.append(which)

    def _rested(self, which: Which, times: float) -> bool:
        ended_s, cost_s = self.made.get(which, (-1e9, 0.0))
        return time.monotonic() >= ended_s + times * cost_s

    def _overtaken(self) -> Which | None:
        """Return a sheet that no longer holds and has rested, of the newest session first."""
        try:
            with reading(self.engine) as db:
                numbers, kept = all_changes(db), kept_state(db, SHEETS)
        except TriageError:
            return None  # the store is away; it is asked again
        for session_id, now in sorted(numbers.items(), reverse=True):
            for what in SHEETS:
                of = kept.get((session_id, what))
                holds = of == (now["takes"], now["verdicts"], FORM)
                if now["takes"] and not holds and self._rested((what, session_id), RESTS_UNASKED):
                    return what, session_id
        return None

    def _make(self, which: Which) -> None:
        began_s = time.monotonic()
        try:
            make(self.engine, *which)
        except TriageError as error:
            print(f"{which[0]} of session {which[1]}: {error}", file=sys.stderr, flush=True)
        except Exception:  # a fault of one sheet is told, and the others are made all the same
            traceback.print_exc()
        # After an error too: what cannot be made is not tried over and over.
        now_s = time.monotonic()
        self.made[which] = now_s, max(now_s - began_s, 0.01)


def _listen(asked: "queue.Queue[Which]") -> None:
    for line in sys.stdin:
        what, session_id = json.loads(line)
        asked.put((what, session_id))
    # At once, in the middle of a sheet as well: what was not kept yet is undone by the database.
    os._exit(0)


def main() -> None:
    """Serve one desk."""
    if hasattr(os, "nice"):  # not on every system
        os.nice(POLITE)
    asked: queue.Queue[Which] = queue.Queue()
    threading.Thread(target=_listen, args=(asked,), daemon=True).start()
    Maker(open_store(store_url(), create=False), asked).run()


if __name__ == "__main__":
    main()
