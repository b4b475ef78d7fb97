import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile
from sqlalchemy import Engine

from tests.commands import asked
from tests.postgres import Server
from tests.sessions import MICS, RATE_HZ, play, row, write_takes
from triage.domain.errors import ConfigError
from triage.intake.arriving import WaitingTimes
from triage.pipeline import take_in
from triage.store.arrivals import arrivals
from triage.store.engine import open_store, reading
from triage.store.notes import notes
from triage.store.ranking import queue
from triage.store.takes import find_session
from triage.store.watching import WatchedElsewhereError
from triage.watch import Follower, TakenIn, _events, watch

PACE = WaitingTimes(steady_s=1.0, patience_s=20.0, grace_s=10.0)
PITCHES = (55, 58, 60)
ROWS = [row(f"T00{k}", PITCHES, 1) for k in (1, 2, 3)]


on_both = pytest.mark.parametrize("engine", ["sqlite", "postgresql"], indirect=True)


@pytest.fixture
def engine(request: pytest.FixtureRequest, tmp_path: Path, postgres: Server) -> Iterator[Engine]:
    sqlite = getattr(request, "param", "sqlite") == "sqlite"
    opened = open_store(f"sqlite:///{tmp_path / 'store.db'}" if sqlite else postgres.empty_database())
    yield opened
    opened.dispose()


@pytest.fixture(scope="module")
def tracks() -> dict[str, np.ndarray]:
    return {f"T00{k}": play(PITCHES, seed=k) for k in (1, 2, 3)}


class Hall:
    """A session's folder, a follower of it with a clock of our own, and what it told."""

    def __init__(self, folder: Path, engine: Engine):
        self.folder, self.engine = write_takes(folder, {}, ROWS), engine
        self.taken: list[TakenIn] = []
        self.lines: list[str] = []
        self.now_s = 0.0
        self.restart()

    def restart(self) -> None:
        self.follower = Follower(self.folder, self.engine, PACE, self.taken.append, self.lines.append)

    def after(self, seconds: float) -> list[str]:
        """Let time pass, looking twice a second; return the names of the takes taken in meanwhile."""
        before = len(self.taken)
        for _ in range(round(2 * seconds)):
            self.now_s += 0.5
            self.follower.look(self.now_s)
        return [one.take.take.name for one in self.taken[before:]]

    def record(self, take: str, tracks: np.ndarray, mics: tuple[str, ...] = MICS) -> None:
        for mic in mics:
            soundfile.write(self.path(take, mic), tracks[MICS.index(mic)], RATE_HZ, "PCM_24")

    def path(self, take: str, mic: str) -> Path:
        return self.folder / "audio" / f"{take}_{mic}.wav"

    def queue(self) -> list[str]:
        with reading(self.engine) as db:
            return [entry.take for entry in queue(db, find_session(db).id)]

    def broken(self) -> list[str | None]:
        with reading(self.engine) as db:
            return [one.path for one in arrivals(db, find_session(db).id).entries if one.kind == "broken"]


@pytest.fixture
def hall(tmp_path: Path, engine: Engine) -> Hall:
    return Hall(tmp_path / "mill", engine)


def test_a_take_comes_in_when_its_files_stand_still_and_not_while_one_grows(hall, tracks):
    whole = hall.folder / "whole.wav"
    soundfile.write(whole, tracks["T001"][1], RATE_HZ, "PCM_24")
    hall.record("T001", tracks["T001"], ("close",))
    data, growing = whole.read_bytes(), hall.path("T001", "room")
    for share in (0.2, 0.5, 0.9):  # longer than the grace in all: what grows is waited for
        growing.write_bytes(data[: int(share * len(data))])
        assert hall.after(4) == []
    assert hall.broken() == []  # it is not broken, it is coming
    growing.write_bytes(data)
    assert hall.after(2) == ["T001"]
    assert hall.queue() == ["T001"] and not hall.taken[0].take.missing
    assert hall.after(30) == []  # once


def test_a_recorder_that_promises_more_than_it_has_written_is_waited_for(hall, tracks):
    """The header says the whole length from the start, the samples come later: size alone would call it whole."""
    hall.record("T001", tracks["T001"])
    data = hall.path("T001", "room").read_bytes()
    hall.path("T001", "room").write_bytes(data[: len(data) // 2])
    assert hall.after(PACE.patience_s - 2) == []
    hall.path("T001", "room").write_bytes(data)
    assert hall.after(2) == ["T001"] and hall.broken() == []


def test_a_file_that_is_never_closed_is_told_as_broken_and_stops_nothing(hall, tracks):
    hall.record("T001", tracks["T001"])
    data = hall.path("T001", "room").read_bytes()
    hall.path("T001", "room").write_bytes(data[: len(data) // 2])
    hall.record("T002", tracks["T002"])
    assert hall.after(3) == ["T002"]
    assert hall.after(PACE.patience_s) == ["T001"]
    assert hall.broken() == ["audio/T001_room.wav"] and sorted(hall.queue()) == ["T001", "T002"]


def test_a_take_of_broken_files_alone_is_not_said_to_have_taken_since_the_machine_was_started(hall, tracks):
    hall.record("T001", tracks["T001"], ("room",))
    hall.now_s = time.monotonic() - PACE.patience_s - 2  # what is ranked looks at this clock
    data = hall.path("T001", "room").read_bytes()
    hall.path("T001", "room").write_bytes(data[: len(data) // 2])
    assert hall.after(PACE.patience_s + 2) == ["T001"]
    assert hall.taken[0].after_s < 60


@on_both
def test_a_missing_microphone_is_waited_for_only_so_long_and_may_still_come(hall, tracks):
    hall.record("T001", tracks["T001"], ("close",))
    assert hall.after(PACE.grace_s - 1) == []
    assert hall.after(3) == ["T001"]
    assert hall.taken[-1].take.missing == ("room",)
    hall.record("T001", tracks["T001"], ("room",))
    assert hall.after(2) == ["T001"] and hall.taken[-1].take.missing == ()


@on_both
def test_the_newest_take_comes_first_and_every_take_ranks_the_session_anew(hall, tracks):
    hall.record("T001", tracks["T001"])
    assert hall.after(2) == ["T001"]
    hall.record("T002", tracks["T002"])
    hall.after(0.5)
    hall.record("T003", tracks["T003"])
    assert hall.after(3) == ["T003", "T002"] or set(hall.queue()) == {"T001", "T002", "T003"}
    with reading(hall.engine) as db:
        entries = queue(db, find_session(db).id)
    assert [entry.rank for entry in entries] == [1, 2, 3] and all(entry.doubt is not None for entry in entries)


@on_both
def test_watching_ends_where_intake_ends(hall, tracks, tmp_path):
    """The same code path: after the last take the store holds what one intake of the whole folder would."""
    for take, own in tracks.items():
        hall.record(take, own)
        hall.after(2)
    other = open_store(f"sqlite:///{tmp_path / 'other.db'}")
    take_in(hall.folder, other)
    held = []
    for engine in (hall.engine, other):
        with reading(engine) as db:
            session = find_session(db)
            held.append((queue(db, session.id), notes(db, session.id)))
    other.dispose()
    assert held[0] == held[1] and len(held[0][1]) == 9


@on_both
def test_a_watch_that_was_killed_goes_on_where_it_was(hall, tracks, monkeypatch):
    hall.after(1)
    hall.record("T001", tracks["T001"])
    with monkeypatch.context() as patch:  # killed between listening and ranking
        patch.setattr("triage.watch.rank", lambda *_: (_ for _ in ()).throw(KeyboardInterrupt))
        with pytest.raises(KeyboardInterrupt):
            hall.after(3)
    hall.record("T002", tracks["T002"])
    hall.restart()
    listened_to = []
    monkeypatch.setattr("triage.analysis.workers.analyse_take", _counted(listened_to))
    assert hall.after(3) == ["T002"] and listened_to == ["T002"]
    with reading(hall.engine) as db:
        assert all(entry.doubt is not None for entry in queue(db, find_session(db).id))


def _counted(names):
    from triage.analysis.take import analyse_take

    def counted(take, *others, **options):
        names.append(take.name)
        return analyse_take(take, *others, **options)

    return counted


def test_a_file_that_vanishes_and_a_folder_that_is_away_stop_nothing_and_lose_nothing(hall, tracks):
    hall.record("T001", tracks["T001"])
    hall.record("T002", tracks["T002"], ("close",))
    hall.after(0.5)
    hall.path("T002", "close").unlink()
    assert hall.after(3) == ["T001"]
    shutil.move(hall.folder / "audio", hall.folder / "away")
    assert hall.after(15) == []
    shutil.move(hall.folder / "away", hall.folder / "audio")
    hall.record("T003", tracks["T003"])
    assert "T003" in hall.after(15) and sorted(hall.queue()) == ["T001", "T003"]


@on_both
def test_a_take_that_cannot_be_listened_to_is_a_problem_and_the_next_one_comes_in(hall, tracks, monkeypatch):
    from triage.analysis.take import analyse_take

    def fails(take, *others, **options):
        if take.name == "T001":
            raise ZeroDivisionError("made by the test")
        return analyse_take(take, *others, **options)

    monkeypatch.setattr("triage.analysis.workers.analyse_take", fails)
    hall.record("T001", tracks["T001"])
    hall.record("T002", tracks["T002"])
    assert sorted(hall.after(5)) == ["T001", "T002"]
    problem = {one.take.take.name: one.take.take.problem for one in hall.taken}["T001"]
    assert "ZeroDivisionError: made by the test" in problem and any("made by the test" in line for line in hall.lines)
    monkeypatch.undo()
    hall.restart()
    assert hall.after(3) == ["T001"]  # a new watch tries again


def test_a_sheet_written_while_the_session_runs_is_used_and_one_that_is_half_written_only_told(hall, tracks):
    hall.record("T001", tracks["T001"])
    hall.after(2)
    description = (hall.folder / "session.toml").read_text()
    (hall.folder / "session.toml").write_text(description[: len(description) // 2])
    hall.record("T002", tracks["T002"])
    assert hall.after(6) == [] and any("session.toml" in line for line in hall.lines)
    (hall.folder / "session.toml").write_text(description)
    assert hall.after(7) == ["T002"]
    sheet = hall.folder / "take_sheet.csv"
    sheet.write_text(sheet.read_text().replace("T003,horn,staccato,mf", "T003,horn,staccato,ff"))
    hall.record("T003", tracks["T003"])
    assert hall.after(3) == ["T003"] and hall.taken[-1].take.take.dynamic == "ff"


def test_the_folder_must_be_described_before_it_can_be_watched(tmp_path, engine):
    with pytest.raises(ConfigError, match=r"session\.toml"):
        Follower(tmp_path, engine, PACE, print, print)


@pytest.mark.parametrize("slip", [{"steady_s": 0.0}, {"patience_s": 0.5}, {"grace_s": -1.0}])
def test_a_pace_that_makes_no_sense_is_refused(slip):
    with pytest.raises(ValueError, match="expected"):
        WaitingTimes(**slip)


def test_the_system_tells_of_files_and_hidden_ones_of_a_copy_are_passed_over(tmp_path):
    events = _events(tmp_path)
    assert next(events) is None  # at first anything may have changed
    (tmp_path / "T000_close.wav").write_bytes(b"before the system tells of anything")
    assert next(events) is None  # and once more when it does
    assert next(events) == set()
    (tmp_path / ".T001_close.wav.x1Yz").write_bytes(b"half")
    (tmp_path / "T001_close.wav").write_bytes(b"whole")
    seen: set[str] = set()
    until_s = time.monotonic() + 10
    while not seen and time.monotonic() < until_s:
        seen |= next(events) or set()
    assert seen == {"T001_close.wav"}
    events.close()


@pytest.mark.parametrize("poll_s", [None, 0.2])
def test_the_watch_takes_in_what_is_written_while_it_runs(hall, tracks, poll_s):
    hall.follower = Follower(
        hall.folder, hall.engine, WaitingTimes(0.2, 5.0, 1.0), hall.taken.append, hall.lines.append
    )
    came = threading.Event()
    hall.follower.taken = lambda one: (hall.taken.append(one), came.set())
    ended = threading.Event()
    thread = threading.Thread(target=watch, args=(hall.follower, poll_s, ended), daemon=True)
    thread.start()
    time.sleep(0.3)
    hall.record("T001", tracks["T001"])
    assert came.wait(60)
    ended.set()
    thread.join(20)
    assert not thread.is_alive() and hall.queue() == ["T001"]


def test_ctrl_c_ends_the_command_cleanly(tmp_path, tracks):
    folder = write_takes(tmp_path / "mill", {}, ROWS)
    store = f"sqlite:///{tmp_path / 'mill.db'}"
    command = [
        sys.executable,
        "-c",
        "from triage.cli.main import main; main()",
        "watch",
        str(folder),
        "--steady",
        "0.2",
    ]
    command += ["--store", store]
    # started in the background the tests ignore Ctrl-C, and whatever they start would too
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True}
    process = subprocess.Popen(command, **pipes, preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL))
    assert "watching" in process.stderr.readline()
    for mic, track in zip(MICS, tracks["T001"], strict=True):
        soundfile.write(folder / "audio" / f"T001_{mic}.wav", track, RATE_HZ, "PCM_24")
    assert process.stdout.readline().startswith("T001  horn staccato mf  doubt 0.")
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=30)
    assert process.returncode == 0 and out == "" and "the watch has ended" in err and "Traceback" not in err
    assert [take["take"] for take in asked("queue", store)["takes"]] == ["T001"]


def test_a_session_just_begun_misses_nothing_and_a_file_is_missing_once_it_was_waited_for(hall, tracks):
    hall.record("T001", tracks["T001"])
    assert hall.after(3) == ["T001"]
    assert missing_of(hall) == []  # T002 and T003 stand on the sheet: not recorded yet is not missing
    hall.record("T002", tracks["T002"], ("close",))
    hall.record("T003", tracks["T003"])
    assert "T003" in hall.after(3) and missing_of(hall) == []  # room of T002 may still come
    hall.after(PACE.grace_s + 4)
    assert missing_of(hall) == [("T002", "room")]


def missing_of(hall) -> list[tuple[str | None, str | None]]:
    with reading(hall.engine) as db:
        return [(one.take, one.mic) for one in arrivals(db, find_session(db).id).of_kind("missing")]


def test_a_second_watch_on_one_session_is_told_so_and_ends(hall, tracks, monkeypatch):
    hall.record("T001", tracks["T001"])
    hall.after(3)
    own = os.getpid()
    monkeypatch.setattr(os, "getpid", lambda: own + 1)  # as another process of this machine would
    second = Follower(hall.folder, hall.engine, PACE, print, print)
    monkeypatch.setattr(os, "kill", lambda process, signal: None)
    with pytest.raises(WatchedElsewhereError, match=f"watched already, by process {own} on "):
        second.look(1.0)

    def dead(process, signal):
        raise ProcessLookupError

    monkeypatch.setattr(os, "kill", dead)  # the first was killed: the next goes on at once
    second.look(2.0)
    second.end()
