"""Watching: a session taken in take after take while it is recorded, by the same steps as `triage intake`.

``watch`` looks at a session's folder until it is stopped. A take whose files are whole (``intake/arriving.py``) is
analysed at once, the newest first, and all of the session is ranked anew after it. What was taken in is known by the
store alone, so a watch that was stopped, or killed, goes on where it was. A file that is broken or has gone, a share
or a database that is away for a while, a take sheet half written: each is a line, and the watch goes on. Nothing is
dropped from the queue here, for a folder that is away looks like one that was emptied; `intake` does that.
"""

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from threading import Event

from sqlalchemy import Engine
from watchfiles import watch as file_events

from triage.analysis.fingerprint import fingerprint
from triage.check_in import CheckedIn, check_in
from triage.domain.errors import TriageError
from triage.intake.arrivals import TakeFiles
from triage.intake.arriving import ArrivingFiles, WaitingTimes
from triage.intake.session import SESSION_FILE, read_session
from triage.intake.sheet import SHEET_FILE
from triage.pipeline import analyse, rank
from triage.store.engine import reading, writing
from triage.store.just_played import JustPlayed, just_played
from triage.store.watching import WatchedElsewhereError, claim, release

TICK_S = 0.25  # between two looks at files that are still coming in
LOOK_S = 30.0  # between two looks at everything: no system reports every change for certain
RETRY_S = 5.0  # until the next try where the store or the description cannot be used
CLAIM_S = 15.0  # between two times that it says it is still there
RANK_S = 5.0  # at least between two rankings while takes wait to be analysed
Changed = set[str] | None  # paths relative to the session's folder; None: anything may have changed


@dataclass(frozen=True)
class TakenIn:
    """One take that was just taken in; ``after_s`` from its last file's last change to its place in the queue."""

    take: JustPlayed
    after_s: float


class Follower:
    """Takes a session in as its files come; ``look`` is one round of it.

    Parameters
    ----------
    folder : Path
        The session's folder.
    db_engine : Engine
    waiting : WaitingTimes
    taken, noticed : callable
        Told of each take that was taken in, and of each line for a person.
    """

    def __init__(
        self,
        folder: Path,
        db_engine: Engine,
        waiting: WaitingTimes,
        taken: Callable[[TakenIn], None],
        noticed: Callable[[str], None],
    ):
        self.folder, self.engine, self.waiting = folder, db_engine, waiting
        self.taken, self.noticed = taken, noticed
        self.arriving = ArrivingFiles(folder, read_session(folder).files.folder, waiting)
        self.due_s: float | None = None  # when to look again though no file has changed
        self._tried: dict[str, str] = {}  # take -> fingerprint of what was analysed, even if in vain
        self._claimed: int | None = None  # session that this watch has said it takes in
        self._claimed_s = -CLAIM_S
        self._new: set[str] = set()  # takes that are not taken in as they are now
        self._reported: set[str] = set()
        self._described: list[tuple[int, int]] = []  # size and time of the session's description and sheet
        self._unranked: dict[str, float] = {}  # take analysed -> when its last file changed
        self._stale, self._ranked_s = True, -RANK_S  # a watch that was killed may have left its last take unranked

    def look(self, now_s: float, changed: Changed = None) -> None:
        """Check what changed, and take one take in if one is ready."""
        described = [_stamp(self.folder / name) for name in (SESSION_FILE, SHEET_FILE)]
        news = self.arriving.look(now_s, changed) or described != self._described
        if self._claimed is not None and time.monotonic() - self._claimed_s >= CLAIM_S:
            self.due_s = now_s  # now and then it says that it is still there
        if not news and (self.due_s is None or now_s < self.due_s):
            return
        self.due_s, self._described = None, described
        try:
            self._take_in(now_s)
        except WatchedElsewhereError:
            raise
        except TriageError as error:
            self._say(str(error))
            self.due_s = now_s + RETRY_S

    def _take_in(self, now_s: float) -> None:
        checked = check_in(self.folder, self.engine, self.arriving.check)
        self._claim(checked)
        if checked.session.files.folder != self.arriving.audio:
            self.arriving = ArrivingFiles(self.folder, checked.session.files.folder, self.waiting)
            self.due_s = now_s
            return
        for line in checked.noticed:
            self._say(line)
        self._new = {take.name for take in checked.new}
        ready = self._ready(checked, now_s)
        self._stale |= bool(checked.corrected)
        if ready:
            first, mic, a4_hz = ready[0], checked.session.reference_mic_name(), checked.session.a4_hz
            analyse(checked, [first], self.engine, lambda what, done, total: None)
            self._tried[first.name] = fingerprint(first, mic, a4_hz)
            self._unranked[first.name] = self._since_s(first) or now_s
            self._stale = True
        if ready[1:]:
            self.due_s = now_s
        if self._stale and (not ready[1:] or time.monotonic() - self._ranked_s >= RANK_S):
            self._rank(checked)

    def _claim(self, checked: CheckedIn) -> None:
        """Say that this watch takes the session in; another one that does is an error that ends this one."""
        if self._claimed is None or time.monotonic() - self._claimed_s >= CLAIM_S:
            with writing(self.engine) as db:
                claim(db, checked.id, checked.session.name)
            self._claimed, self._claimed_s = checked.id, time.monotonic()

    def end(self) -> None:
        """Let another watch take the session in."""
        if self._claimed is not None:
            with writing(self.engine) as db:
                release(db, self._claimed)

    def _ready(self, checked: CheckedIn, now_s: float) -> list[TakeFiles]:
        """Return the takes to analyse, the newest first, and set when the next one that waits is due."""
        ready, mic, a4_hz = [], checked.session.reference_mic_name(), checked.session.a4_hz
        for take in checked.new:
            if take.arriving or not (take.tracks or take.broken):
                continue
            if self._tried.get(take.name) == fingerprint(take, mic, a4_hz):
                continue
            complete = {track.mic for track in take.tracks} >= set(checked.session.mic_names)
            waited_for_s = self._since_s(take) + self.waiting.grace_s
            if complete or now_s >= waited_for_s:
                ready.append(take)
            else:
                self.due_s = min(self.due_s or waited_for_s, waited_for_s)
        return sorted(ready, key=lambda take: (-self._since_s(take), take.name))

    def _since_s(self, take: TakeFiles) -> float:
        """Return when the last of a take's files changed last; a take of broken files alone was waited for before."""
        return max((self.arriving.since_s(track.path) for track in take.tracks), default=0.0)

    def _rank(self, checked: CheckedIn) -> None:
        problems, _ = rank(self._so_far(checked), self.engine)
        self._stale, self._ranked_s = False, time.monotonic()
        with reading(self.engine) as db:
            latest = just_played(db, checked.id, names=list(self._unranked))
        for take in latest:
            self.taken(TakenIn(take, self._ranked_s - self._unranked[take.take.name]))
        self._unranked.clear()
        for line in problems:
            self._say(line)

    def _so_far(self, checked: CheckedIn) -> CheckedIn:
        """Leave out of what is missing whatever may still be recorded: takes without a file, files that may come."""
        arrivals = checked.arrived.arrivals
        late = {take.name for take in checked.arrived.takes if take.name in self._tried or take.name not in self._new}
        entries = tuple(one for one in arrivals.entries if one.kind != "missing" or one.take in late)
        return replace(checked, arrived=replace(checked.arrived, arrivals=replace(arrivals, entries=entries)))

    def _say(self, line: str) -> None:
        if line not in self._reported:
            self._reported.add(line)
            self.noticed(line)


def watch(follower: Follower, poll_s: float | None = None, stop: Event | None = None) -> None:
    """Take a session in until ``stop`` is set, or KeyboardInterrupt.

    ``poll_s``: look at all files so often, and wait for no event.
    """
    for changed in _polled(poll_s) if poll_s else _events(follower.folder):
        if stop is not None and stop.is_set():
            return
        follower.look(time.monotonic(), changed)
        while follower.due_s is not None and follower.due_s <= time.monotonic():
            follower.look(time.monotonic(), set())


def _polled(every_s: float) -> Iterator[Changed]:
    while True:
        yield None
        time.sleep(every_s)


def _events(folder: Path) -> Iterator[Changed]:
    """Yield what the system reports on a folder, nothing each TICK_S, at times that anything may have changed.

    Where the folder is away, or cannot be watched any more, everything is looked at until it can be again.
    """
    while True:
        yield None
        looked_s = -LOOK_S  # once the system reports changes look again: some may have come before it did
        try:
            tick_ms = round(1000 * TICK_S)
            for events in file_events(
                folder, watch_filter=None, debounce=tick_ms, rust_timeout=tick_ms, yield_on_timeout=True
            ):
                paths = {Path(path) for _, path in events}
                if not folder.is_dir():
                    break
                if time.monotonic() - looked_s > LOOK_S or any(path.is_dir() for path in paths):
                    looked_s = time.monotonic()
                    yield None
                else:
                    yield {one for path in paths if (one := _inside(path, folder)) is not None}
        except (OSError, RuntimeError):  # what watchfiles raises where a folder is not there, or is too large for it
            pass
        time.sleep(4 * TICK_S)


def _inside(path: Path, folder: Path) -> str | None:
    """Return a path relative to the session's folder; None for hidden ones, which a copy uses while it is at work."""
    for root in (folder, folder.resolve()):
        if path.is_relative_to(root):
            relative = path.relative_to(root)
            return None if any(part.startswith(".") for part in relative.parts) else relative.as_posix()
    return None


def _stamp(path: Path) -> tuple[int, int]:
    try:
        status = path.stat()
    except OSError:
        return 0, 0
    return status.st_size, status.st_mtime_ns
