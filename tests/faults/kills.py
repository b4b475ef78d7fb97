"""kill -9 at random moments of intake, verdict, retrain, the desk and watch, over and over on one store.

Each round starts a command, ends it as a power cut would after a random part of the time that it takes undisturbed,
and asks: is the store sound, is everything there that was reported as done, are the recordings untouched? Every few
rounds the command runs to its end, and must come to what an undisturbed run comes to.
"""

import itertools
import os
import random
import shutil
import signal
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path

import httpx
import numpy as np

from tests.desk.server.served import AtDesk, come_in
from tests.faults.mill import TAKES, hashes, heard, unsound, write_session
from tests.faults.warm import Warm
from tests.training.learning import as_toml
from tests.training.synthetic_sessions import made_session, record_of, verdicts_of
from tests.verdicts import given_verdicts
from training.selection import RetrainingConfig
from triage.config import read_toml, shipped
from triage.domain.take import Track
from triage.store.engine import open_store, reading, writing
from triage.store.models import models, version_in_use
from triage.store.takes import find_session, save_session, save_take, sessions
from triage.store.verdicts import record_verdict
from triage.transfer.store_check import other_models

WHOLE_EVERY = 5  # rounds; then the command may end by itself
READY_S = 60.0
WATCHED_S = 1.5  # a take is in the queue within it


@dataclass
class Tally:
    """What came of the rounds of one command."""

    what: str
    killed: int = 0
    ended_before: int = 0
    whole: int = 0
    wrong: list[str] = field(default_factory=list)

    def line(self) -> str:
        """Return it in one line."""
        ended = f"{self.ended_before} had ended by themselves, {self.whole} whole runs between"
        return f"{self.what}: {self.killed} killed, {ended}, {len(self.wrong)} wrong"


@dataclass
class Place:
    """Where a scenario works: a folder of its own, a store's address, the warm process, chance."""

    home: Path
    address: str
    warm: Warm
    chance: random.Random

    def cut_short(self, tally: Tally, usual_s: float, *arguments: object, **how: object) -> tuple[int, str]:
        """Start a command and kill it after a random part of its usual time; return its status and words."""
        running = self.warm.start(*arguments, "--store", self.address, **how)
        time.sleep(self.chance.uniform(0, usual_s))
        running.kill()
        status = running.wait()
        tally.killed += status < 0
        tally.ended_before += status >= 0
        if status > 0:
            tally.wrong.append(f"{arguments[0]} ended with {status}: {running.output[-300:]}")
        return status, running.output

    def whole(self, tally: Tally, *arguments: object, **how: object) -> str:
        """Run a command to its end, which must be a good one."""
        status, output = self.warm.run(*arguments, "--store", self.address, **how)
        tally.whole += 1
        if status:
            tally.wrong.append(f"{arguments[0]} ended with {status}: {output[-300:]}")
        return output


def intake(place: Place, rounds: int) -> Tally:
    """Take a session in, of which a file changes every round, so that there is always something to hear anew."""
    tally, folder = Tally("intake"), write_session(place.home / "mill")
    before, started = hashes(folder), time.monotonic()
    place.whole(tally, "intake", folder)
    usual_s = time.monotonic() - started
    wanted = heard(place.whole(tally, "queue", "--format", "json"))
    place.whole(tally, "verdict", "T002", "reject", "--by", "anna", "--note", "1", "--reason", "before the storm")
    for n in range(1, rounds + 1):
        for path in place.chance.sample(sorted((folder / "audio").iterdir()), 6):
            os.utime(path)  # as a copy does: heard anew, sounds the same
        place.cut_short(tally, usual_s, "intake", folder)
        _hold(tally, n, place, {"T002": ["reject"]})
        if _is_whole(n, rounds):
            place.whole(tally, "intake", folder)
            if heard(place.whole(tally, "queue", "--format", "json")) != wanted:
                tally.wrong.append(f"round {n}: another queue than without kills")
    _untouched(tally, folder, before)
    return tally


def first_intake(place: Place, rounds: int) -> Tally:
    """Take a session in to a store that is not there yet: its tables are made under the kill as well."""
    tally, folder = Tally("first intake"), write_session(place.home / "mill")
    before, started = hashes(folder), time.monotonic()
    place.whole(tally, "intake", folder)
    usual_s = time.monotonic() - started
    wanted = heard(place.whole(tally, "queue", "--format", "json"))
    for n in range(1, rounds + 1):
        _forget(place.address)
        place.cut_short(tally, usual_s, "intake", folder)
        _hold(tally, n, place, {})
        if _is_whole(n, rounds):
            place.whole(tally, "intake", folder)
            if heard(place.whole(tally, "queue", "--format", "json")) != wanted:
                tally.wrong.append(f"round {n}: another queue than without kills")
    _untouched(tally, folder, before)
    return tally


def verdict(place: Place, rounds: int) -> Tally:
    """Give verdicts; what the command confirmed must be there, and nothing by half."""
    tally, folder = Tally("verdict"), write_session(place.home / "mill")
    before = hashes(folder)
    place.whole(tally, "intake", folder)
    started = time.monotonic()
    place.whole(tally, "verdict", "T001", "unsure", "--by", "ben", "--reason", "round 0")
    usual_s = time.monotonic() - started
    confirmed = {("T001", "round 0")}
    for n in range(1, rounds + 1):
        take, word = TAKES[n % len(TAKES)], place.chance.choice(["accept", "reject", "unsure"])
        given = ("verdict", take, word, "--by", place.chance.choice(["anna", "ben"]), "--reason", f"round {n}")
        status, output = place.cut_short(tally, usual_s, *given)
        if status == 0 or f"{take}: {word}" in output:
            confirmed.add((take, f"round {n}"))
        _hold(tally, n, place, {})
        lost = confirmed - _reasons(place.address)
        if lost:
            tally.wrong.append(f"round {n}: confirmed and lost: {sorted(lost)}")
    _untouched(tally, folder, before)
    return tally


def desk(place: Place, rounds: int) -> Tally:
    """Give verdicts at the desk, one after another, and kill the desk meanwhile."""
    tally, folder = Tally("desk"), write_session(place.home / "mill")
    place.whole(tally, "intake", folder)
    confirmed: set[tuple[str, str]] = set()
    for n in range(1, rounds + 1):
        port = _free_port()
        running = place.warm.start("desk", "--port", port, "--store", place.address)
        with httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=READY_S) as client:
            anna = _at_the_desk(client)
            storm = threading.Timer(place.chance.uniform(0.02, 0.4), running.kill)
            confirmed |= _verdicts_until_it_ends(anna, n, storm)
            storm.join()
        tally.killed += running.wait() < 0
        _hold(tally, n, place, {})
        if lost := confirmed - _reasons(place.address):
            tally.wrong.append(f"round {n}: confirmed and lost: {sorted(lost)}")
    if not confirmed:
        tally.wrong.append("no verdict was confirmed at all")
    return tally


def retrain(place: Place, rounds: int) -> Tally:
    """Retrain on verdicts; the model in use is the old or the new one, and every version opens."""
    tally = Tally("retrain")
    given = told(place.address)
    how = {"env": {"MLFLOW_TRACKING_URI": f"sqlite:///{place.home / 'runs.db'}"}, "cwd": str(place.home)}
    train = ("retrain", "--thorough", "--config", small_recipe(place.home), "--use", "--by", "anna")
    started = time.monotonic()
    place.whole(tally, *train, **how)
    usual_s = 0.6 * (time.monotonic() - started)  # the first time MLflow makes its own tables as well
    for n in range(1, rounds + 1):
        before = _versions(place.address)
        place.cut_short(tally, usual_s, *train, **how)
        _hold(tally, n, place, given)
        after = _versions(place.address)
        if not before[0] <= after[0] or after[1] not in {before[1], *(after[0] - before[0])}:
            tally.wrong.append(f"round {n}: from {before} to {after}")
        if _is_whole(n, rounds):
            place.whole(tally, *train, **how)
            tally.wrong += [f"round {n}: {line}" for line in _other_models(place.address)]
    return tally


def watch(place: Place, rounds: int) -> Tally:
    """Watch a folder in which takes are copied again and again; what it missed the next watch takes in."""
    tally, folder = Tally("watch"), write_session(place.home / "mill")
    before = hashes(folder)
    place.whole(tally, "intake", folder)
    wanted = heard(place.whole(tally, "queue", "--format", "json"))
    following = ("watch", folder, "--steady", "0.1", "--grace", "0.1")
    for n in range(1, rounds + 1):
        copied = sorted((folder / "audio").glob(f"{place.chance.choice(TAKES)}_*"))
        for path in copied:
            os.utime(path)
        place.cut_short(tally, WATCHED_S, *following)
        _hold(tally, n, place, {})
        if _is_whole(n, rounds):
            for path in copied:
                os.utime(path)
            _watch_until(place, tally, copied[0].name[: len(TAKES[0])], *following)
            if heard(place.whole(tally, "queue", "--format", "json")) != wanted:
                tally.wrong.append(f"round {n}: another queue than without kills")
    _untouched(tally, folder, before)
    return tally


SCENARIOS: dict[str, Callable[[Place, int], Tally]] = {
    "first-intake": first_intake,
    "intake": intake,
    "verdict": verdict,
    "desk": desk,
    "retrain": retrain,
    "watch": watch,
}


def _is_whole(n: int, rounds: int) -> bool:
    """Tell whether a command may run to its end after this round."""
    return n % WHOLE_EVERY == 0 or n == rounds


def _watch_until(place: Place, tally: Tally, take: str, *following: object) -> None:
    """Watch until a take was taken in, then end the watch as Ctrl-C does."""
    running, until_s = place.warm.start(*following, "--store", place.address), time.monotonic() + READY_S
    while f"{take}  " not in running.output and time.monotonic() < until_s:
        time.sleep(0.05)
    os.kill(running.pid, signal.SIGTERM)
    tally.whole += 1
    if (status := running.wait()) or f"{take}  " not in running.output:
        tally.wrong.append(f"watch ended with {status}: {running.output[-300:]}")


def _hold(tally: Tally, n: int, place: Place, given: dict[str, list[str]]) -> None:
    """Note what is not as it must be after a kill."""
    tally.wrong += [f"round {n}: {line}" for line in unsound(place.address)]
    if given and (found := _words(place.address)) != given:
        tally.wrong.append(f"round {n}: of {len(given)} words {len(found)} are left")


def _untouched(tally: Tally, folder: Path, before: dict[str, str]) -> None:
    if hashes(folder) != before:
        tally.wrong.append("the session's folder is not what it was")


def _words(address: str) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for session_id in _session_ids(address):
        for one in _verdicts(address, session_id):
            found.setdefault(one.take, []).append(one.verdict)
    return found


def _reasons(address: str) -> set[tuple[str, str]]:
    return {(one.take, one.reason or "") for i in _session_ids(address) for one in _verdicts(address, i)}


def _session_ids(address: str) -> list[int]:
    engine = open_store(address, create=False)
    with reading(engine) as db:
        found = [one.id for one in sessions(db)]
    engine.dispose()
    return found


def _verdicts(address: str, session_id: int) -> Iterator:  # type: ignore[type-arg]
    engine = open_store(address, create=False)
    with reading(engine) as db:
        found = given_verdicts(db, session_id)
    engine.dispose()
    return iter(found)


def _versions(address: str) -> tuple[set[str], str | None]:
    engine = open_store(address, create=False)
    with reading(engine) as db:
        found = {one.version for one in models(db)}, version_in_use(db)
    engine.dispose()
    return found


def small_recipe(home: Path) -> Path:
    """Write the shipped recipe with one candidate and few folds, for a retraining of a second."""
    whole = read_toml(shipped("configs/retraining.toml"), RetrainingConfig)
    few = {"candidates": ("weights",), "outer_folds": 2, "inner_folds": 2}
    return as_toml(whole.model_copy(update=few), home / "retraining.toml")


def _other_models(address: str) -> list[str]:
    engine = open_store(address, create=False)
    with reading(engine) as db:
        found = other_models(db)
    engine.dispose()
    return found


def told(address: str) -> dict[str, list[str]]:
    """Store made sessions with verdicts; return the verdicts."""
    engine, chance = open_store(address), np.random.default_rng(1)
    for seed in range(70, 73):
        takes, truth = made_session(seed, takes=8)
        with writing(engine) as db:
            session_id = save_session(db, record_of(f"s{seed}"))
            for take in takes:
                save_take(db, session_id, replace(take, tracks=(Track("close", f"{take.name}.wav", 0),)))
            for verdict in verdicts_of(truth, chance, 0.05):
                record_verdict(db, session_id, verdict)
            assert find_session(db, f"s{seed}").id == session_id
    engine.dispose()
    return _words(address)


def _forget(address: str) -> None:
    """Leave nothing of a SQLite store."""
    path = Path(address.removeprefix("sqlite:///"))
    for suffix in ("", "-wal", "-shm", "-journal"):
        Path(f"{path}{suffix}").unlink(missing_ok=True)


def _free_port() -> int:
    with socket.socket() as door:
        door.bind(("127.0.0.1", 0))
        port: int = door.getsockname()[1]
    return port


def _verdicts_until_it_ends(anna: AtDesk, n: int, storm: threading.Timer) -> set[tuple[str, str]]:
    """Give verdicts until nobody answers, the storm brewing from the first; return what was confirmed."""
    confirmed = set()
    with suppress(httpx.TransportError):
        for k in itertools.count():
            reason = f"round {n} {k}"
            body = {"verdict": "reject", "key": f"click-{n:04}-{k:04}", "reason": reason}
            take_id = 1 + k % len(TAKES)
            if anna.post(f"/api/takes/{take_id}/verdict", body).status_code == 200:
                confirmed.add((TAKES[take_id - 1], reason))
            if not k:
                storm.start()
    return confirmed


def _at_the_desk(client: httpx.Client) -> AtDesk:
    until_s = time.monotonic() + READY_S
    while time.monotonic() < until_s:
        try:
            if come_in(client, "anna", "editor").status_code == 303:
                return AtDesk(client)
        except httpx.TransportError:
            time.sleep(0.02)
    raise AssertionError("the desk did not open")


def fresh(home: Path) -> Path:
    """Return an empty folder."""
    shutil.rmtree(home, ignore_errors=True)
    home.mkdir(parents=True)
    return home
