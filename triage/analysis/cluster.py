"""The cluster: the same work on many machines, by Ray (extra `cluster`), one task per job.

``distribute`` hands jobs out a few ahead of the workers and yields the result of each as it is done. Work that runs
on a worker that is lost (killed, out of memory, its machine gone) is done again elsewhere; if that fails as well the
job is reported as lost and the others go on. Nothing is kept here: the caller stores each result, and so can resume.

Plain tasks, not Ray's data sets: a job is one take, minutes of audio that a worker reads where it lies; what comes
back is small, must be stored the moment it is there, and fails alone. There is nothing to shuffle or batch.
"""

import logging
import os
import socket
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

from triage.domain.errors import ConfigError
from triage.processes import cores

LOCAL = "local"  # the address of a cluster of this machine's own cores, started for one run
RETRIES = 2  # times that a job whose worker was lost is done again
QUEUED_PER_CORE = 3  # jobs handed out for each core: the next one is there when one is done
OBJECTS_BYTES = 200_000_000  # shared memory of a local cluster: records pass through it, no audio
START = "start one with `ray start --head`, or pass --cluster local"
CONNECT_S = 5.0
Job = TypeVar("Job")
Result = TypeVar("Result")


class Lost(Exception):
    """A job that no worker could finish."""


@contextmanager
def joined(address: str) -> Iterator[Any]:
    """Give Ray, joined to the cluster at ``address`` (HOST:PORT, ray://HOST:PORT, auto), or to one started here.

    Raises
    ------
    ConfigError
        If Ray is not installed, or nothing answers at the address.
    """
    ray = _ray()
    options: dict[str, Any] = {"log_to_driver": False, "logging_level": logging.ERROR}
    if address == LOCAL:
        options |= {"num_cpus": cores(), "include_dashboard": False, "object_store_memory": OBJECTS_BYTES}
    else:
        _check_reachable(address)
        options["address"] = address
    # Workers compute on one core each, whatever their machines have; and find this package where it runs from.
    options["runtime_env"] = {"env_vars": {"OMP_NUM_THREADS": "1"} | _from_checkout()}
    try:
        ray.init(**options)
    except (ConnectionError, RuntimeError, ValueError, OSError) as error:
        why = " ".join(str(error).split())[:200]
        raise ConfigError(f"no cluster at {address} ({why}); {START}") from None
    try:
        yield ray
    finally:
        ray.shutdown()


def distribute(
    work: Callable[[Job], Result], jobs: Sequence[Job], address: str, gpu_share: float = 0.0
) -> Iterator[tuple[Job, Result | Lost]]:
    """Yield each job with its result, or with why it was lost, in the order they are done.

    ``gpu_share`` of a GPU is asked for with each task, where the cluster has any; ``work`` is a function that can be
    imported on every machine, and reports errors in its result.
    """
    with joined(address) as ray:
        resources = ray.cluster_resources()
        share = gpu_share if resources.get("GPU", 0) else 0.0
        task = ray.remote(num_cpus=1, num_gpus=share, max_retries=RETRIES, scheduling_strategy="SPREAD")(work)
        most, left = max(2, round(QUEUED_PER_CORE * resources.get("CPU", 1))), list(reversed(jobs))
        pending: dict[Any, Job] = {}
        try:
            while left or pending:
                while left and len(pending) < most:
                    job = left.pop()
                    pending[task.remote(job)] = job
                (done,), _ = ray.wait(list(pending), num_returns=1)
                yield pending.pop(done), _result(ray, done)
        finally:
            for reference in pending:
                ray.cancel(reference, force=False)


def _result(ray: Any, reference: Any) -> Any:
    try:
        return ray.get(reference)
    except ray.exceptions.RayError as error:
        lines = str(error).strip().splitlines() or ["no reason given"]
        return Lost(f"{type(error).__name__}: {lines[0]}")  # the other lines are stacks of other machines


def _ray() -> Any:
    os.environ.setdefault("RAY_USAGE_STATS_ENABLED", "0")  # nothing about a session is sent anywhere
    os.environ.setdefault("RAY_ACCEL_ENV_VAR_OVERRIDE_ON_ZERO", "0")
    try:
        import ray
        import ray.exceptions
    except ImportError:
        raise ConfigError("--cluster needs Ray, which is not installed: pip install 'ray>=2.60'") from None
    return ray


def _check_reachable(address: str) -> None:
    """Check that something listens at HOST:PORT; Ray itself would try for minutes."""
    host, _, port = address.removeprefix("ray://").rpartition(":")
    if not (host and port.isdigit()):
        return  # auto, or a name that only Ray understands
    try:
        socket.create_connection((host.strip("[]"), int(port)), CONNECT_S).close()
    except OSError as error:
        raise ConfigError(f"no cluster at {address} ({error}); {START}") from None


def _from_checkout() -> dict[str, str]:
    """Return the search path of this tool, where it is no installed package, for workers of this machine."""
    root = str(Path(__file__).parents[2])
    return {"PYTHONPATH": os.pathsep.join([root, *filter(None, [os.environ.get("PYTHONPATH")])])}
