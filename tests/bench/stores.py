"""How a large store answers: ``python -m tests.bench.stores``.

A month: 1,000,000 notes and 100,000 takes in 30 sessions, on SQLite and on PostgreSQL: the commands `queue` and
`check`, each in a process of its own; the head of the queue, a verdict with the queue behind it, and every page,
through a desk in this process; then all 24 cohorts of one session judged anew by a model and stored, as after a
retraining, and weighed anew from what was measured, as after a harmless group. No test: it asserts nothing.
"""

import argparse
import random
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from sqlalchemy import Engine, insert

from tests.bench.desk import COMPARING, PAGES, line, timed
from tests.bench.filled import NOTES, databases, fill
from tests.bench.start_up import CALL, run
from tests.desk.server.served import AtDesk, Served
from triage.analysis.encoding import BESIDE, PARTS, encoder_in_use
from triage.desk.background_jobs import make_sheet
from triage.desk.settings import DeskSettings
from triage.desk.sheet_views import SHEETS
from triage.listen.encoder import ACTIVATION_KINDS
from triage.ranking.session import judge_session_again, rank_session
from triage.store import tables
from triage.store.engine import open_store, reading, writing
from triage.store.takes import session_of

DIMENSION = 128
AIMS_MS = {"head of the queue": 100, "a verdict, and the queue behind it": 200, "a session judged anew": 1000}
ASKED = (*(page for page in PAGES if not page.endswith(COMPARING)), "/api/takes/{t}/notes/3/neighbours")
COMMANDS = (("queue", "day 1", "--top", "20"), ("queue", "day 1"), ("check",))


def main() -> None:
    """Fill, measure and print one table for each database."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--takes", type=int, default=100_000)
    parser.add_argument("--sessions", type=int, default=30)
    parser.add_argument("--requests", type=int, default=50)
    parser.add_argument("--databases", nargs="+", default=["sqlite", "postgresql"])
    chosen = parser.parse_args()
    for database, address, folder in databases(chosen.databases):
        measure(database, address, folder, chosen)


def measure(database: str, address: str, folder: Path, chosen: argparse.Namespace) -> None:
    """Fill a store and print its figures."""
    engine, began_s = open_store(address), time.perf_counter()
    fill(engine, folder, chosen.sessions, chosen.takes)
    each = chosen.takes // chosen.sessions
    embed(engine, range(1, each + 1))
    for session_id in range(1, chosen.sessions + 1):
        make_sheet(engine, next(iter(SHEETS)), session_id)  # for the list of sessions
    for what in SHEETS:
        if what not in COMPARING:  # they compare up to 10,000 notes of a session
            make_sheet(engine, what, 2)
    print(
        f"\n{database}: {chosen.takes} takes, {NOTES * chosen.takes} notes, {chosen.sessions} sessions, filled in "
        f"{time.perf_counter() - began_s:.0f} s\n"
    )
    for command in COMMANDS:
        clock_s, spent_s, megabytes = run(CALL, *command, "--store", address, cwd=folder)
        print(f"triage {' '.join(command):57}{clock_s:8.1f} s, {spent_s:.1f} of the processor, {megabytes:.0f} MB")
    print(f"{'':64}{'median':>8}{'95 %':>8}{'most ms':>8}", flush=True)
    desk = Served(DeskSettings(address))
    try:
        asked(desk.person("bench", "producer"), each, chosen)
    finally:
        desk.stop()
    scored(engine, chosen.requests)
    engine.dispose()


def embed(engine: Engine, take_ids: range) -> None:
    """Give the notes of some takes vectors and activations, as the encoder in use would."""
    rng, name, size = np.random.default_rng(0), encoder_in_use().name, len(ACTIVATION_KINDS) * len(PARTS)
    rows = []
    for take_id in take_ids:
        for number in range(1, NOTES + 1):
            for encoder, width in ((name, DIMENSION), (f"{name}{BESIDE}", size)):
                vector = rng.normal(0, 0.1, width).astype("<f2").tobytes()
                rows.append(
                    {"take_id": take_id, "number": number, "encoder": encoder, "dimension": width, "vector": vector}
                )
    with writing(engine) as db:
        db.execute(insert(tables.embedding), rows)


def asked(producer: AtDesk, each: int, chosen: argparse.Namespace) -> None:
    """Print how long the desk takes to answer."""
    rng = random.Random(0)

    def some(path: str) -> str:
        session = 1 if path.endswith(("noise", "pickups")) else rng.randrange(chosen.sessions)
        return path.format(s=2 if session == 1 else session + 1, t=session * each + rng.randint(1, each))

    head = "head of the queue"
    times, _ = timed(producer, iter(lambda: some("/api/s/{s}/next?n=1"), None), chosen.requests)
    line(told(head), times)
    verdict = []
    for step in range(chosen.requests):
        session = rng.randrange(chosen.sessions) + 1
        take = producer.get(f"/api/s/{session}/next?n=1").json()["takes"][0]
        began_s = time.perf_counter()
        body = {"verdict": "reject", "key": f"bench-{step:06}"}
        assert producer.post(f"/api/takes/{take['id']}/verdict", body).status_code == 200
        assert producer.get(f"/api/s/{session}/next?n=1").json()["takes"][0]["id"] != take["id"]
        verdict.append(1000 * (time.perf_counter() - began_s))
    line(told("a verdict, and the queue behind it"), np.array(verdict))
    for path in ASKED:
        times, _ = timed(producer, iter(lambda path=path: some(path), None), chosen.requests)
        line(path, times)


def scored(engine: Engine, requests: int) -> None:
    """Print how long it takes to score notes anew, from reading them to storing the result."""
    with reading(engine) as db:
        session = session_of(db, 1)
    assert session is not None
    line(
        "all cohorts of a session weighed anew from what was measured",
        np.array([timed_s(lambda: rank_session(engine, session.id, session.a4_hz))]),
    )
    times = [timed_s(lambda: judge_session_again(engine, session)) for _ in range(max(3, requests // 10))]
    line(told("a session judged anew"), np.array(times))


def timed_s(piece: Callable[[], object]) -> float:
    """Return how long something takes, in ms."""
    began_s = time.perf_counter()
    piece()
    return 1000 * (time.perf_counter() - began_s)


def told(what: str) -> str:
    """Return what is measured with what is aimed at."""
    return f"{what} (aim {AIMS_MS[what]} ms)"


if __name__ == "__main__":
    main()
