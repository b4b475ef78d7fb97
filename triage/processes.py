"""Processes beside this one: how many are worth starting, and how they end when this one does."""

import os
from multiprocessing import parent_process
from threading import Thread


def cores() -> int:
    """Return how many cores this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def end_with_parent() -> None:
    """Let this worker end when its parent is killed; it would wait for work for ever and hold its memory."""
    parent = parent_process()
    assert parent is not None

    def wait() -> None:
        parent.join()
        os._exit(1)

    Thread(target=wait, daemon=True).start()
