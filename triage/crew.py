"""The crew: several takes listened to at once, one a core, handed back one after another as each is done."""

import os
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from multiprocessing import get_context
from pathlib import Path

import torch

from triage.intake.roll import Take
from triage.store.records import TakeRecord
from triage.take import listen_take

FEW = 4  # takes that are not worth starting processes for


def listen_all(takes: Sequence[Take], folder: Path, judge_mic: str, a4_hz: float) -> Iterator[TakeRecord]:
    """Yield what was heard in each take, in the order they are done."""
    workers = min(cores(), len(takes))
    if workers < 2 or len(takes) <= FEW:
        for take in takes:
            yield listen_take(take, folder, judge_mic, a4_hz)
        return
    # spawn: a forked copy of a process that has used torch's threads can hang
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn"), initializer=_one_thread) as pool:
        waiting = [pool.submit(listen_take, take, folder, judge_mic, a4_hz) for take in takes]
        try:
            for done in as_completed(waiting):
                yield done.result()
        finally:
            pool.shutdown(cancel_futures=True)


def cores() -> int:
    """Return how many cores this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _one_thread() -> None:
    torch.set_num_threads(1)
