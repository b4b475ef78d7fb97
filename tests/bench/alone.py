"""One intake in a process of its own: ``python -m tests.bench.alone FOLDER STORE CORES [CLUSTER]``.

Prints a line of JSON: seconds to load, of the intake, from its first take to its last, of the same intake again with
nothing changed.
"""

import json
import os
import sys
import time
from pathlib import Path


def main(folder: str, store: str, cores: str, cluster: str | None = None) -> None:
    """Take a folder in twice on so many cores."""
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, sorted(os.sched_getaffinity(0))[: int(cores)])
    began = time.perf_counter()
    import triage.analysis.workers
    import triage.ranking.session  # noqa: F401 - what an intake with news loads, so that it is not timed as its work
    from triage.pipeline import take_in
    from triage.store.engine import open_store

    engine = open_store(store)
    loaded = time.perf_counter()
    done_s: list[float] = []

    def tell(what: str, number: int, total: int) -> None:
        if what == "listening":
            done_s.append(time.perf_counter())

    first = take_in(Path(folder), engine, tell, cluster)
    done = time.perf_counter()
    again = take_in(Path(folder), engine)
    ended = time.perf_counter()
    engine.dispose()
    assert again.new_takes == 0
    print(
        json.dumps(
            {
                "load_s": loaded - began,
                "intake_s": done - loaded,
                "again_s": ended - done,
                "takes": first.new_takes,
                "between_s": done_s[-1] - done_s[0] if done_s else 0.0,
            }
        )
    )


if __name__ == "__main__":
    main(*sys.argv[1:])
