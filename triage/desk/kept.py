"""Kept: what takes long to make of a whole session, made once and kept until the session's takes or verdicts change.

In: what it is, the session and how to make it. Out: what was made, by whoever asked first; who asks for the same
meanwhile waits for that. The session's numbers of change say whether it still holds, whoever changed it.
"""

import threading
from collections import OrderedDict
from collections.abc import Callable
from typing import Any, TypeVar

from sqlalchemy import Connection

from triage.store.changes import changes

Made = TypeVar("Made")
MOST = 60  # things kept, the ones longest not asked for go first


class Kept:
    """Lives as long as the desk runs."""

    def __init__(self, most: int = MOST):
        self._most = most
        self._lock = threading.Lock()
        self._made: OrderedDict[tuple[str, int], tuple[dict[str, int], Any]] = OrderedDict()
        self._making: dict[tuple[str, int], threading.Lock] = {}

    def get(self, db: Connection, what: str, session_id: int, make: Callable[[], Made]) -> Made:
        """Return what was made of the session as ``db`` sees it, made anew only if the session changed since."""
        key, numbers = (what, session_id), changes(db, session_id)
        with self._lock:
            turn = self._making.setdefault(key, threading.Lock())
        with turn:
            with self._lock:
                before = self._made.get(key)
            if before is not None and before[0] == numbers:
                made: Made = before[1]
            else:
                made = make()
            with self._lock:
                self._made[key] = (numbers, made)
                self._made.move_to_end(key)
                while len(self._made) > self._most:
                    self._making.pop(self._made.popitem(last=False)[0], None)
        return made
