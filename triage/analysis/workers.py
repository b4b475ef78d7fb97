"""The crew: takes listened to, several at once, handed back one after another as each is done.

One take that cannot be listened to, for whatever reason, is a record with its problem and stops nothing: it has no
fingerprint, so that the next intake tries again. A worker that is lost (killed, out of memory) is made up for: what
it may have had in hand is tried again alone, and given up only if it takes the next worker with it. The same work
goes to this machine's processes or to a cluster's (``cluster.py``), and gives the same records to the last digit.
"""

import os
import traceback
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing import get_all_start_methods, get_context, parent_process
from multiprocessing.context import BaseContext
from pathlib import Path
from threading import Thread

import torch

from triage.analysis.cluster import Lost, spread
from triage.analysis.file_pass import use_hands
from triage.analysis.remote_folder import fetched
from triage.analysis.take import fingerprint, listen_take
from triage.domain.take import Take
from triage.intake.arrivals import TakeFiles

HERE = (None, None)
FEW = 4  # takes that are not worth starting processes for
LOST = "whatever listened to it was lost twice (killed, or out of memory); intake tries again"


@dataclass(frozen=True)
class Job:
    """One take to listen to, as it is handed to a worker."""

    take: TakeFiles
    folder: Path
    judge_mic: str
    a4_hz: float
    address: str | None = None  # where the files really lie, if not in the folder


def listen_all(
    takes: Sequence[TakeFiles],
    folder: Path,
    judge_mic: str,
    a4_hz: float,
    elsewhere: tuple[str | None, str | None] = HERE,
) -> Iterator[Take]:
    """Yield what was heard in each take, in the order they are done.

    ``elsewhere``: the address of the session's folder where ``folder`` only outlines it, and the cluster's.
    """
    address, cluster = elsewhere
    jobs = [Job(take, folder.resolve(), judge_mic, a4_hz, address) for take in takes]
    workers = min(cores(), len(jobs))
    if cluster is not None and jobs:
        yield from _on_cluster(jobs, cluster)
    elif workers < 2 or len(jobs) <= FEW:
        use_hands(cores())
        yield from map(listened, jobs)
    else:
        yield from _in_processes(jobs, workers)


def listened(job: Job) -> Take:
    """Listen to one take; what goes wrong with it is its problem."""
    torch.set_num_threads(1)  # the cores are shared out by takes and files; and sums add up the same everywhere
    try:
        with _files_of(job) as (take, folder):
            return listen_take(take, folder, job.judge_mic, job.a4_hz)
    except Exception as error:  # one bad take never stops the run
        place = traceback.extract_tb(error.__traceback__)[-1]
        return unheard(job, f"{type(error).__name__}: {error} ({place.name}, line {place.lineno})")


def unheard(job: Job, why: str) -> Take:
    """Return the record of a take that could not be listened to."""
    meant = job.take.meant
    return Take(
        job.take.name,
        "",
        meant.instrument,
        meant.articulation,
        meant.dynamic,
        meant.remark,
        meant.pitches,
        meant.repetitions,
        problem=f"could not be listened to: {' '.join(why.split())}",
        listened=False,
        setup=meant.setup or None,
    )


@contextmanager
def _files_of(job: Job) -> Iterator[tuple[TakeFiles, Path]]:
    if job.address is None:
        yield job.take, job.folder
    else:
        with fetched(job.take, job.address) as found:
            yield found


def _on_cluster(jobs: Sequence[Job], cluster: str) -> Iterator[Take]:
    for job, heard in spread(listened, jobs, cluster):
        if isinstance(heard, Lost):
            yield unheard(job, f"{LOST} ({heard})")
        elif heard.fingerprint not in ("", fingerprint(job.take, job.judge_mic, job.a4_hz)):
            yield unheard(job, "a worker has another version of this tool or encoder; install the same everywhere")
        else:
            yield heard


def cores() -> int:
    """Return how many cores this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _context() -> BaseContext:
    """Return how workers are started.

    A copy of this process, which has used torch's threads, can hang; so each is one of a process that has only
    imported what they need, and they share that memory. Where a system has no such thing each starts from nothing.
    """
    if "forkserver" not in get_all_start_methods():
        return get_context("spawn")
    context = get_context("forkserver")
    context.set_forkserver_preload(["triage.analysis.take"])
    return context


def _in_processes(jobs: Sequence[Job], workers: int) -> Iterator[Take]:
    waiting = list(jobs)
    while waiting:
        yield from _until_one_is_lost(waiting, workers)
        # Jobs are begun in order: what the lost one had in hand is among the first that are left.
        suspects, waiting = waiting[: workers + 1], waiting[workers + 1 :]
        for job in suspects:
            alone = [job]
            yield from _until_one_is_lost(alone, 1)
            yield from (unheard(left, LOST) for left in alone)


def _until_one_is_lost(waiting: list[Job], workers: int) -> Iterator[Take]:
    """Yield what is heard, and take it off the list; end early if a worker is lost."""
    with ProcessPoolExecutor(workers, mp_context=_context(), initializer=_end_with_parent) as pool:
        jobs = {pool.submit(listened, job): job for job in waiting}
        try:
            for done in as_completed(jobs):
                record = done.result()
                waiting.remove(jobs[done])
                yield record
        except BrokenProcessPool:
            return
        finally:
            pool.shutdown(cancel_futures=True)


def _end_with_parent() -> None:
    """Let this worker end when the intake is killed; it would wait for work for ever and hold its memory."""
    parent = parent_process()
    assert parent is not None

    def wait() -> None:
        parent.join()
        os._exit(1)

    Thread(target=wait, daemon=True).start()
