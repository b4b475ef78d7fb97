"""How fast the desk answers and how heavy its pages are: ``python -m tests.bench.desk``.

A store of 20,000 takes and 200,000 notes in 20 sessions on SQLite and on PostgreSQL, a desk in a thread of this
process, requests through HTTP from the same machine. Times are of whole answers, bodies read; "cpu" is what desk and
client together computed for one of them, which other work on the machine does not lengthen. No test: it asserts
nothing.
"""

import argparse
import random
import re
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from tests.bench.filled import NOTES, databases, fill
from tests.desk.server.served import AtDesk, Served
from triage.desk.background_jobs import make_sheet
from triage.desk.settings import DeskSettings
from triage.desk.sheet_views import SHEETS
from triage.store.engine import open_store

PAGES = (
    "/",
    "/s/{s}/queue",
    "/s/{s}/queue/list",
    "/s/{s}/queue/list?show=all&page=7&sort=longest",
    "/s/{s}/queue/list?q=t&kind=attack&pitch=60&person=anna",
    "/s/{s}/disputes",
    "/s/{s}/arrivals",
    "/s/{s}/noise",
    "/s/{s}/consistency",
    "/s/{s}/pickups",
    "/s/{s}/keepers",
    "/s/{s}/played",
    "/models",
    "/keys",
)
DATA = (
    "/api/sessions",
    "/api/s/{s}/consistency",
    "/api/s/{s}/consistency/0",
    "/api/s/{s}/next?n=3",
    "/api/s/{s}/left",
    "/api/s/{s}/list?after={rank}",
    "/api/s/{s}/change",
    "/api/takes/{t}",
    "/api/takes/{t}/notes/3/neighbours",
    "/api/takes/{d}/picture/close",
    "/api/takes/{d}/wave/close",
    "/audio/takes/{d}/close?start_s=12&end_s=14",
    "/audio/takes/{d}/notes/3/close?like_take={d}&like_note=2",
)
COMPARING = ("consistency", "keepers")  # sheets that take minutes: made of one session
MOST_CANDIDATES = 10_000  # notes of a session whose keepers are made: at random, many cells hold 25
MOST_S = 30.0  # for one row of the table
LINKED = re.compile(r'(?:src|href)="(/static/[^"]+)"|(?:from|import)\s*"(\./[^"]+)"')


def main() -> None:
    """Measure and print one table for each database."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--takes", type=int, default=20_000)
    parser.add_argument("--sessions", type=int, default=20, help="over how many sessions they are spread")
    parser.add_argument("--requests", type=int, default=100, help="of each page")
    parser.add_argument("--unmade", action="store_true", help="begin with sheets that were never made")
    parser.add_argument("--databases", nargs="+", default=["sqlite", "postgresql"])
    chosen = parser.parse_args()
    for database, address, folder in databases(chosen.databases):
        measure(database, address, folder, chosen)


def measure(database: str, address: str, folder: Path, chosen: argparse.Namespace) -> None:
    """Fill a store, serve it and print its figures."""
    engine = open_store(address)
    fill(engine, folder, chosen.sessions, chosen.takes)
    if not chosen.unmade:
        print(f"\n{database}: sheets of a session, made beside the desk as soon as its takes or verdicts change")
        for what in SHEETS:
            began_s = time.perf_counter()
            some = 1 if what in COMPARING else chosen.sessions
            some *= what != "keepers" or keeps(chosen)
            for session_id in range(1, some + 1):
                make_sheet(engine, what, session_id)
            print(f"{what:64}{(time.perf_counter() - began_s) / max(1, some):8.1f} s", flush=True)
    engine.dispose()
    desk = Served(DeskSettings(address))
    print(f"\n{database}: {chosen.takes} takes, {10 * chosen.takes} notes, {chosen.sessions} sessions\n")
    print(f"{'':64}{'median':>8}{'95 %':>8}{'most ms':>8}{'cpu ms':>8}{'kB':>8}")
    try:
        producer = desk.person("bench", "producer")
        for path in (*PAGES, *DATA):
            if path.endswith("/keepers") and not keeps(chosen):
                continue
            began = time.process_time()
            times, n_bytes = timed(producer, addresses(path, chosen), chosen.requests)
            cpu_ms = 1000 * (time.process_time() - began) / len(times)
            weight = page_weight(producer, path, chosen) if path in PAGES else n_bytes
            line(path, times, cpu_ms, weight)
        line("POST deal, one person", deal_times(producer, chosen.requests))
        line("POST verdict, one person", verdict_times(producer, chosen.requests))
        six_at_once(desk, chosen)
    finally:
        desk.stop()


def keeps(chosen: argparse.Namespace) -> bool:
    """Tell whether a session is small enough for its keepers to be chosen in minutes."""
    return bool(NOTES * chosen.takes / chosen.sessions <= MOST_CANDIDATES)


def timed(person: AtDesk, paths: Iterator[str], n: int) -> tuple[np.ndarray, int]:
    """Return the times of ``n`` answers in ms, of fewer where they are slow, and the size of the largest."""
    times, n_bytes, until_s = [], 0, time.perf_counter() + MOST_S
    for _ in range(n):
        if times and time.perf_counter() > until_s:
            break
        path = next(paths)
        began = time.perf_counter()
        answer = person.get(path)
        times.append(1000 * (time.perf_counter() - began))
        assert answer.status_code == 200, (path, answer.status_code, answer.text[:200])
        n_bytes = max(n_bytes, len(answer.content))
    return np.array(times), n_bytes


def addresses(path: str, chosen: argparse.Namespace) -> Iterator[str]:
    """Yield addresses with sessions, takes and ranks at random."""
    rng, each = random.Random(0), chosen.takes // chosen.sessions
    while True:
        session = 0 if path.split("/")[-1] in COMPARING or "/consistency/" in path else rng.randrange(chosen.sessions)
        yield path.format(
            s=session + 1,
            t=session * each + rng.randint(1, each),
            d=session * each + rng.randint(1, 20),
            rank=rng.randrange(each),
        )


def page_weight(person: AtDesk, path: str, chosen: argparse.Namespace) -> int:
    """Return the bytes of a page with its scripts, styles and pictures, and the takes that it fetches; no sound."""
    waiting, seen, total = [next(addresses(path, chosen))], set(), 0
    while waiting:
        there = waiting.pop()
        if there in seen:
            continue
        seen.add(there)
        answer = person.get(there)
        total += len(answer.content)
        kind = answer.headers.get("content-type", "")
        if "html" in kind or "javascript" in kind:
            found = [one or f"/static/{two[2:]}" for one, two in LINKED.findall(answer.text)]
            waiting += [one for one in found if not one.endswith(".html")]
    if path.endswith("/queue"):
        takes = person.get("/api/s/1/next?n=3").json()["takes"]
        total += len(person.get("/api/s/1/next?n=3").content)
        drawn = [mic[what] for take in takes[:1] for mic in take["mics"] for what in ("picture", "wave") if mic[what]]
        total += sum(len(person.get(one).content) for one in drawn)
    return total


def deal_times(person: AtDesk, n: int) -> np.ndarray:
    """Have takes dealt and return how long each answer took, in ms."""
    times = []
    for _ in range(n):
        began = time.perf_counter()
        answer = person.post("/api/s/1/deal", {"n": 3})
        times.append(1000 * (time.perf_counter() - began))
        assert answer.status_code == 200, answer.text
    return np.array(times)


def verdict_times(person: AtDesk, n: int) -> np.ndarray:
    """Give verdicts down the queue and return how long each took, in ms."""
    times = []
    for step in range(n):
        take = person.get("/api/s/1/next?n=1").json()["takes"][0]
        began = time.perf_counter()
        body = {"verdict": "accept", "key": f"alone-{step:06}", "audio_digest": take["audio_digest"]}
        assert person.post(f"/api/takes/{take['id']}/verdict", body).status_code == 200
        times.append(1000 * (time.perf_counter() - began))
    return np.array(times)


def six_at_once(desk: Served, chosen: argparse.Namespace) -> None:
    """Let six editors work down one queue as fast as they are answered; print their rate and waits."""
    spent: list[float] = []
    until_s = time.perf_counter() + 20

    def work(n: int) -> None:
        editor, step = desk.person(f"editor {n}"), 0
        while time.perf_counter() < until_s:
            began = time.perf_counter()
            dealt = editor.post("/api/s/1/deal", {"n": 3})
            assert dealt.status_code == 200, dealt.text
            takes = dealt.json()["takes"]
            body = {"verdict": "reject", "key": f"six-{step:06}"}
            answer = editor.post(f"/api/takes/{random.choice(takes)['id']}/verdict", body)
            assert answer.status_code == 200, answer.text
            spent.append(1000 * (time.perf_counter() - began))
            step += 1

    workers = [threading.Thread(target=work, args=(n,)) for n in range(6)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join()
    line(f"six editors, takes dealt and verdict: {3 * len(spent)} verdicts a minute", np.array(spent))


def line(what: str, times: np.ndarray, cpu_ms: float | None = None, n_bytes: int = 0) -> None:
    """Print one row."""
    shown = [np.median(times), np.percentile(times, 95), times.max(), *([] if cpu_ms is None else [cpu_ms])]
    weight = f"{n_bytes / 1000:8.1f}" if n_bytes else ""
    print(f"{what:64}{''.join(f'{value:8.1f}' for value in shown)}{weight}", flush=True)


if __name__ == "__main__":
    main()
