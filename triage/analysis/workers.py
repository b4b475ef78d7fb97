"""The worker pool: several takes analysed at once, each handed back as it is done.

A take that cannot be analysed, for whatever reason, is a record with its problem and stops nothing. When a worker is
lost (killed, out of memory), the takes it may have been working on are tried again one at a time, and given up only
if the next worker is lost as well. The same work goes to this machine's processes or to a cluster's (``cluster.py``),
and gives identical records.
"""

import traceback
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing import get_all_start_methods, get_context
from multiprocessing.context import BaseContext
from pathlib import Path

import torch

from triage.analysis.cluster import Lost, distribute
from triage.analysis.fingerprint import fingerprint
from triage.analysis.remote_folder import fetched
from triage.analysis.take import analyse_take
from triage.domain.take import Take
from triage.intake.arrivals import TakeFiles
from triage.processes import cores, end_with_parent

FEW = 4  # takes, for which starting processes is not worth it
LOST = "the worker that analysed it was lost twice (killed, or out of memory); intake tries again"


@dataclass(frozen=True)
class AnalysisJob:
    """One take to analyse, as it is handed to a worker."""

    take: TakeFiles
    folder: Path
    reference_mic: str
    a4_hz: float
    address: str | None = None  # where the files really are, if not in the folder


def analyse_all(
    takes: Sequence[TakeFiles],
    folder: Path,
    reference_mic: str,
    a4_hz: float,
    address: str | None = None,
    cluster: str | None = None,
) -> Iterator[Take]:
    """Yield each take as its analysis is done.

    ``address`` is where the session's files really are, if ``folder`` holds only their outlines; ``cluster`` that of
    a cluster to work on.
    """
    jobs = [AnalysisJob(take, folder.resolve(), reference_mic, a4_hz, address) for take in takes]
    workers = min(cores(), len(jobs))
    if cluster is not None and jobs:
        yield from _on_cluster(jobs, cluster)
    elif workers < 2 or len(jobs) <= FEW:
        yield from (analysed(job, cores()) for job in jobs)
    else:
        yield from _in_processes(jobs, workers)


def analysed(job: AnalysisJob, read_ahead: int = 1) -> Take:
    """Analyse one take; an error becomes its ``problem``."""
    torch.set_num_threads(1)  # the cores are shared out by takes and files; and sums add up the same everywhere
    try:
        with _files_of(job) as (take, folder):
            return analyse_take(take, folder, job.reference_mic, job.a4_hz, read_ahead=read_ahead)
    except Exception as error:  # one bad take never stops the run
        place = traceback.extract_tb(error.__traceback__)[-1]
        return failed(job, f"{type(error).__name__}: {error} ({place.name}, line {place.lineno})")


def failed(job: AnalysisJob, why: str) -> Take:
    """Return the record of a take that could not be analysed: without a fingerprint, so that it is tried again."""
    row = job.take.sheet_row
    return Take(
        name=job.take.name,
        fingerprint="",
        instrument=row.instrument,
        articulation=row.articulation,
        dynamic=row.dynamic,
        remark=row.remark,
        expected_pitches=row.pitches,
        repetitions=row.repetitions,
        problem=f"could not be analysed: {' '.join(why.split())}",
        analysed=False,
        setup=row.setup or None,
        without_natural_sounds=row.natural_sounds == "none",
    )


@contextmanager
def _files_of(job: AnalysisJob) -> Iterator[tuple[TakeFiles, Path]]:
    if job.address is None:
        yield job.take, job.folder
    else:
        with fetched(job.take, job.address) as found:
            yield found


def _on_cluster(jobs: Sequence[AnalysisJob], cluster: str) -> Iterator[Take]:
    for job, found in distribute(analysed, jobs, cluster):
        if isinstance(found, Lost):
            yield failed(job, f"{LOST} ({found})")
        elif found.fingerprint not in ("", fingerprint(job.take, job.reference_mic, job.a4_hz)):
            yield failed(job, "a worker has another version of this tool or encoder; install the same everywhere")
        else:
            yield found


def _context() -> BaseContext:
    """Return how workers are started.

    A fork of this process, which has used torch's threads, can hang; so each is forked from a server process that has
    only imported what they need, and they share that memory. Where a system has no fork server they are spawned.
    """
    if "forkserver" not in get_all_start_methods():
        return get_context("spawn")
    context = get_context("forkserver")
    context.set_forkserver_preload(["triage.analysis.take"])
    return context


def _in_processes(jobs: Sequence[AnalysisJob], workers: int) -> Iterator[Take]:
    waiting = list(jobs)
    while waiting:
        yield from _until_a_worker_is_lost(waiting, workers)
        # Jobs are begun in order: what the lost worker was doing is among the first that are left.
        suspects, waiting = waiting[: workers + 1], waiting[workers + 1 :]
        for job in suspects:
            alone = [job]
            yield from _until_a_worker_is_lost(alone, 1)
            yield from (failed(left, LOST) for left in alone)


def _until_a_worker_is_lost(waiting: list[AnalysisJob], workers: int) -> Iterator[Take]:
    """Yield each take that is done and remove its job from the list; end early if a worker is lost."""
    with ProcessPoolExecutor(workers, mp_context=_context(), initializer=end_with_parent) as pool:
        jobs = {pool.submit(analysed, job): job for job in waiting}
        try:
            for done in as_completed(jobs):
                record = done.result()
                waiting.remove(jobs[done])
                yield record
        except BrokenProcessPool:
            return
        finally:
            pool.shutdown(cancel_futures=True)
