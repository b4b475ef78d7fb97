"""The desk under load: ``python -m tests.bench.load --minutes 10``.

Six editors work down one queue at a steady pace, 30 requests a second in all, as their pages would ask: the next
takes, a picture, a wave, a segment of sound by range, a neighbour, a verdict, an undo now and then; and once in a
while a list, the noise sheet, the pick-ups. The desk runs as `triage desk` does, in a process of its own, on SQLite
and on PostgreSQL. Printed: waiting times (from when a request was due, so that a desk that falls behind shows it),
errors, the desk's memory minute by minute, and whether every verdict that was answered stands in the store, once.
``--verdicts 1000``: so many verdicts a minute instead, each with the next takes. No test: it asserts nothing.
"""

import argparse
import contextlib
import os
import random
import socket
import subprocess
import sys
import threading
import time
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import httpx
import numpy as np
from sqlalchemy import func, select

from tests.bench.filled import databases, fill
from tests.desk.server.served import AtDesk, come_in
from triage.store import tables
from triage.store.engine import open_store, reading

EDITORS = 6
COMMAND = (sys.executable, "-c", "from triage.cli.main import main; main()", "desk")
# What an editor's page asks for one take: each name is a request, in order.
ROUND = ("next", "picture", "wave", "sound", "neighbours", "neighbour", "sound", "verdict", "left", "change")
NOW_AND_THEN = ("/", "/s/1/queue/list", "/s/1/noise", "/s/1/pickups", "/s/1/arrivals", "/models", "undo")


@dataclass
class Found:
    """What the editors were answered."""

    waits_ms: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    slips: Counter[str] = field(default_factory=Counter)
    answered: list[str] = field(default_factory=list)  # keys of verdicts that were answered
    lock: threading.Lock = field(default_factory=threading.Lock)


class Editor:
    """One person at the desk, with the take that is on their screen."""

    def __init__(self, address: str, name: str, found: Found):
        self.found, self.name, self.n = found, name, 0
        client = httpx.Client(base_url=address, timeout=30)
        assert come_in(client, name, "editor").status_code == 303
        self.desk, self.rng = AtDesk(client), random.Random(name)
        self.take = self.desk.get("/api/s/1/next?n=3").json()["takes"][0]

    def ask(self, what: str, due_s: float) -> None:
        """Send one request and put down how it went."""
        try:
            answer = self._send(what)
            slip = "" if answer.status_code in (200, 206) else f"{what}: {answer.status_code} {answer.text[:80]}"
        except httpx.HTTPError as error:
            slip = f"{what}: {type(error).__name__}"
        with self.found.lock:
            self.found.waits_ms[what].append(1000 * (time.perf_counter() - due_s))
            if slip:
                self.found.slips[slip] += 1

    def _send(self, what: str) -> httpx.Response:
        take, drawn = self.take["id"], self.rng.randint(1, 20)  # the filled store has pictures and sound of twenty
        if what == "next":
            answer = self.desk.get("/api/s/1/next?n=3")
            self.take = self.rng.choice(answer.json()["takes"])
            return answer
        if what == "verdict":
            return self._say(take)
        if what == "undo":
            return self.desk.post("/api/s/1/undo", {"key": self._key()})
        path = {
            "picture": f"/api/takes/{drawn}/picture/close",
            "wave": f"/api/takes/{drawn}/wave/close",
            "neighbours": f"/api/takes/{take}/notes/3/neighbours",
            "left": "/api/s/1/left",
            "change": "/api/s/1/change",
            "neighbour": f"/audio/takes/{drawn}/notes/3/close?like_take={drawn}&like_note=2",
            "sound": f"/audio/takes/{drawn}/close?start_s={self.rng.uniform(0, 30):.3f}&end_s=34",
        }.get(what, what)
        return self.desk.get(path, headers={"Range": "bytes=0-99999"} if what == "sound" else {})

    def _say(self, take: int) -> httpx.Response:
        key = self._key()
        body = {"verdict": self.rng.choice(["accept", "accept", "reject", "unsure"]), "key": key}
        answer = self.desk.post(f"/api/takes/{take}/verdict", body)
        if answer.status_code == 200:
            with self.found.lock:
                self.found.answered.append(key)
        return answer

    def _key(self) -> str:
        self.n += 1
        return f"{self.name}-{self.n:06}"


def main() -> None:
    """Load a desk on each database and print what came of it."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=float, default=10)
    parser.add_argument("--rate", type=float, default=30, help="requests a second, of all editors")
    parser.add_argument("--verdicts", type=int, default=0, help="a minute, in place of the mixed requests")
    parser.add_argument("--takes", type=int, default=20_000)
    parser.add_argument("--sessions", type=int, default=20, help="over how many sessions the takes are spread")
    parser.add_argument("--databases", nargs="+", default=["sqlite", "postgresql"])
    chosen = parser.parse_args()
    for database, address, folder in databases(chosen.databases):
        load(database, address, folder, chosen)


def load(database: str, store: str, folder: Path, chosen: argparse.Namespace) -> None:
    """Fill a store, serve it, let six editors work, and print one table."""
    engine = open_store(store)
    fill(engine, folder, chosen.sessions, chosen.takes)
    found, memory_mb = Found(), []
    with served(store) as (address, process):
        editors = [Editor(address, f"editor {n}", found) for n in range(EDITORS)]
        began_s = time.perf_counter()
        for second in work(editors, chosen, began_s):
            if second % 30 == 0:
                memory_mb.append(memory_of(process.pid))
        spent_s = time.perf_counter() - began_s
    report(database, found, memory_mb, spent_s)
    with reading(engine) as db:
        key = tables.verdict.c.key
        kept = Counter(one.partition(":")[2] for one in db.scalars(select(key).where(key.is_not(None))))
        twice = db.scalar(select(func.count()).select_from(tables.verdict).where(key.is_not(None))) - len(kept)
    lost = set(found.answered) - set(kept)
    print(
        f"verdicts answered {len(found.answered)}, in the store {len(kept)}, lost {len(lost)}, doubled {twice}; "
        f"{60 * len(found.answered) / spent_s:.0f} a minute"
    )
    engine.dispose()


def work(editors: list[Editor], chosen: argparse.Namespace, began_s: float) -> Iterator[int]:
    """Let the editors work, each request at its time; yield once a second."""
    steps = ("next", "verdict") if chosen.verdicts else ROUND
    rate = 2 * chosen.verdicts / 60 if chosen.verdicts else chosen.rate
    end_s = began_s + 60 * chosen.minutes
    workers = [
        threading.Thread(target=paced, args=(one, steps, n, rate / EDITORS, began_s, end_s))
        for n, one in enumerate(editors)
    ]
    for worker in workers:
        worker.start()
    second = 0
    while any(worker.is_alive() for worker in workers):
        yield second
        second += 1
        time.sleep(max(0.0, began_s + second - time.perf_counter()))
    for worker in workers:
        worker.join()


def paced(editor: Editor, steps: tuple[str, ...], n: int, rate: float, began_s: float, end_s: float) -> None:
    """Send one editor's requests at a steady rate; one that is late is sent at once, and its wait counts."""
    step = 0
    while (due_s := began_s + (step + n / EDITORS) / rate) < end_s:
        time.sleep(max(0.0, due_s - time.perf_counter()))
        what = steps[step % len(steps)]
        if steps is ROUND and step % 23 == 22:
            what = NOW_AND_THEN[step // 23 % len(NOW_AND_THEN)]
        editor.ask(what, due_s)
        step += 1


@contextlib.contextmanager
def served(store: str) -> Iterator[tuple[str, "subprocess.Popen[bytes]"]]:
    """Serve the desk in a process of its own, as a person would."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    process = subprocess.Popen(
        [*COMMAND, "--port", str(port)], env=os.environ | {"TRIAGE_STORE": store}, stderr=subprocess.DEVNULL
    )
    address = f"http://127.0.0.1:{port}"
    try:
        for _ in range(600):
            with contextlib.suppress(httpx.HTTPError):
                httpx.get(f"{address}/sign-in")
                break
            time.sleep(0.1)
        yield address, process
    finally:
        process.terminate()
        process.wait(30)


def memory_of(pid: int) -> float:
    """Return the memory that a process holds, in MB (Linux: VmRSS of /proc)."""
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    return next(int(one.split()[1]) for one in lines if one.startswith("VmRSS")) / 1000


def report(database: str, found: Found, memory_mb: list[float], spent_s: float) -> None:
    """Print the waits of each kind of request, of all, the errors and the memory."""
    count = sum(map(len, found.waits_ms.values()))
    print(f"\n{database}: {EDITORS} editors, {spent_s:.0f} s, {count / spent_s:.1f} requests a second\n")
    print(f"{'':24}{'requests':>9}{'median':>9}{'95 %':>9}{'99 %':>9}{'most ms':>9}")
    everything = [wait for waits in found.waits_ms.values() for wait in waits]
    for what, waits in [*sorted(found.waits_ms.items()), ("all", everything)]:
        shown = [*np.percentile(waits, [50, 95, 99]), max(waits)]
        print(f"{what:24}{len(waits):9}{''.join(f'{value:9.1f}' for value in shown)}")
    print(f"errors {sum(found.slips.values())}")
    for slip, number in found.slips.most_common(5):
        print(f"  {number} x {slip}")
    print(f"memory of the desk every 30 s, MB: {' '.join(f'{one:.0f}' for one in memory_mb)}", flush=True)


if __name__ == "__main__":
    main()
