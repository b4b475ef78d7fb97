"""A whole session from files to the queue: the planted faults come first, and the same input gives the same queue."""

import hashlib
import os
import shutil
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from tests.commands import asked, run, sqlite
from tests.sessions import MICS, RATE_HZ, play, row, write_takes
from triage.analysis import workers
from triage.domain.hit import HarmlessMark
from triage.ranking import session
from triage.store.engine import open_store, writing
from triage.store.harmless_groups import groups, record_mark

NOON = datetime(2026, 3, 14, 12, tzinfo=UTC)
SHEET = {f"T{n:03}": (48 + 2 * (n % 5), 49 + 2 * (n % 5), 50 + 2 * (n % 5)) for n in range(1, 11)}
WRONG, FLAT, LACKING, TORN, EXTRA = "T002", "T003", "T004", "T005", "T006"
FLAT_SEMITONES = 0.45  # nearly half a semitone
TORN_SAMPLES = 960  # 20 ms
# All kinds of spot written out, so that one made up on the way is noticed.
KINDS = set(
    "intonation attack length level tone steadiness release wrong-note unlike "
    "click creak breath voice knock mechanism paper bleed rumble hum hiss other-noise "
    "dropout clipped dead-track polarity delay truncated copied".split()
)
QUEUE_KEYS = "rank take instrument articulation dynamic doubt listen_s duration_s verdict spots".split()
SPOT_KEYS = "start_s end_s note kind doubt mic found expected unit why".split()


def write_faulty(folder: Path) -> Path:
    """Write ten takes of six notes: five of them with one gross fault each, five as they should be."""
    played: dict[str, list[float]] = {name: [p for p in pitches for _ in range(2)] for name, pitches in SHEET.items()}
    played[WRONG][2] += 1
    played[FLAT][4] -= FLAT_SEMITONES
    del played[LACKING][3]
    played[EXTRA].insert(2, played[EXTRA][1])
    takes = {name: play(pitches, seed) for seed, (name, pitches) in enumerate(played.items())}
    loudest = int(np.abs(takes[TORN][0, : 2 * RATE_HZ]).argmax())
    takes[TORN][0, loudest : loudest + TORN_SAMPLES] = 0.0
    return write_takes(folder, takes, [row(name, pitches) for name, pitches in SHEET.items()])


def files_of(folder: Path) -> dict[str, tuple[str, int]]:
    """Return for every file its hash and the time it was last written."""
    return {
        str(path.relative_to(folder)): (hashlib.sha256(path.read_bytes()).hexdigest(), path.stat().st_mtime_ns)
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.fixture(scope="module", autouse=True)
def one_process() -> Iterator[None]:
    """Listen in this process: starting others takes longer than a few short takes do."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(workers, "cores", lambda: 1)
        yield


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    return write_faulty(tmp_path_factory.mktemp("session"))


@pytest.fixture(scope="module")
def before(folder) -> dict[str, tuple[str, int]]:
    return files_of(folder)


@pytest.fixture(scope="module")
def filled(folder, before, tmp_path_factory) -> str:
    """Return the address of a store that the session was taken into; tests that write to it copy it first."""
    store = sqlite(tmp_path_factory.mktemp("store"))
    output = run("intake", folder, "--store", store)
    assert output == (0, "mill-day2-b: 10 takes, 10 of them new or changed\n", "")
    return store


@pytest.fixture(scope="module")
def queue(filled) -> dict:
    return asked("queue", filled)


@pytest.fixture
def store(filled, tmp_path) -> str:
    """Return the address of a copy of the filled store."""
    shutil.copy(filled.removeprefix("sqlite:///"), tmp_path / "store.db")
    return sqlite(tmp_path)


@pytest.fixture
def copied(folder, tmp_path) -> Path:
    """Return a copy of the session's folder, times and all."""
    return Path(shutil.copytree(folder, tmp_path / "session"))


@pytest.fixture
def analysed(monkeypatch) -> list[str]:
    """Return a list that the names of takes come into as they are analysed."""
    names: list[str] = []

    analyse_all = workers.analyse_all

    def noted(takes, *arguments):
        names.extend(take.name for take in takes)
        return analyse_all(takes, *arguments)

    monkeypatch.setattr(workers, "analyse_all", noted)
    return names


def test_the_queue_is_what_the_design_promises(queue):
    assert list(queue) == ["session", "model", "takes"] and queue["session"] == "mill-day2-b"
    assert isinstance(queue["model"], str) and queue["model"]
    for take in queue["takes"]:
        assert list(take) == QUEUE_KEYS
        assert (take["instrument"], take["articulation"], take["dynamic"]) == ("horn", "staccato", "mf")
        assert 0 <= take["doubt"] <= 1 and 0 <= take["listen_s"] <= take["duration_s"] and take["verdict"] is None
        for spot in take["spots"]:
            assert list(spot) == SPOT_KEYS
            assert spot["kind"] in KINDS and isinstance(spot["why"], str) and spot["why"]
            assert 0 <= spot["start_s"] <= spot["end_s"] <= take["duration_s"] and 0 <= spot["doubt"] <= 1
            assert spot["note"] is None or spot["note"] in range(1, 8)
            assert spot["mic"] in (None, *MICS) and isinstance(spot["unit"], str | None)
            assert all(isinstance(spot[name], float | int | None) for name in ("found", "expected"))
        assert take["spots"] == sorted(take["spots"], key=lambda spot: -spot["doubt"])


def test_every_take_is_ranked_from_one_without_gaps_by_falling_doubt(queue):
    takes = queue["takes"]
    assert [take["rank"] for take in takes] == list(range(1, 11)) and {take["take"] for take in takes} == set(SHEET)
    assert [take["doubt"] for take in takes] == sorted((take["doubt"] for take in takes), reverse=True)


def test_the_takes_with_a_gross_fault_stand_before_all_others(queue):
    assert {take["take"] for take in queue["takes"][:5]} == {WRONG, FLAT, LACKING, TORN, EXTRA}


@pytest.mark.parametrize(
    "take, kind, note, mic",
    [
        (WRONG, "wrong-note", 3, None),
        (FLAT, "intonation", 5, None),
        (LACKING, "wrong-note", None, None),
        (TORN, "dropout", 1, "close"),
        (EXTRA, "wrong-note", None, None),
    ],
)
def test_the_first_spot_says_what_was_planted(queue, take, kind, note, mic):
    spots = next(one["spots"] for one in queue["takes"] if one["take"] == take)
    assert (spots[0]["kind"], spots[0]["mic"]) == (kind, mic)
    assert note in (None, spots[0]["note"])


def test_the_measured_pitches_are_those_that_were_played(filled):
    notes = {(note["take"], note["note"]): note for note in asked("notes", filled)["notes"]}
    assert len(notes) == 60  # ten times six; one too few and one too many
    # The synthesiser plays within 3 cents of what it is told, the scoop at the start left out.
    assert notes[FLAT, 5]["cents"] == pytest.approx(-100 * FLAT_SEMITONES, abs=6)
    assert notes[WRONG, 3]["cents"] == pytest.approx(100, abs=6)
    right = [note["cents"] for (take, number), note in notes.items() if (take, number) not in ((FLAT, 5), (WRONG, 3))]
    assert max(map(abs, right)) < 10


def test_taking_it_in_again_does_nothing_and_keeps_the_queue(folder, store, queue, analysed):
    assert run("intake", folder, "--store", store) == (0, "mill-day2-b: 10 takes, 0 of them new or changed\n", "")
    assert analysed == [] and asked("queue", store) == queue


def test_again_without_news_it_is_not_even_ranked(folder, store, queue, analysed, monkeypatch):
    monkeypatch.setattr(session, "rank_session", None)
    assert run("intake", folder, "--store", store).status == 0
    engine = open_store(store)
    with writing(engine) as db:
        record_mark(db, 1, HarmlessMark(next(iter(groups(db, 1))), True, "mill-day2-b", "anna", NOON, None))
    engine.dispose()
    with pytest.raises(TypeError):  # after a mark it is
        run("intake", folder, "--store", store)


def test_a_corrected_row_of_the_sheet_reads_no_audio_and_counts_at_once(copied, store, analysed):
    run("intake", copied, "--moved", "--store", store)
    run("verdict", "T007", "accept", "--by", "anna", "--store", store)
    sheet = copied / "take_sheet.csv"
    before = row("T007", SHEET["T007"])
    sheet.write_text(sheet.read_text().replace(before, before.replace("staccato", "marcato")))
    assert "1 of them" in run("intake", copied, "--store", store).out
    (take,) = (one for one in asked("queue", store)["takes"] if one["take"] == "T007")
    # A verdict on a take that was to hold something else counts no longer.
    assert (take["articulation"], take["verdict"], analysed) == ("marcato", None, [])


def test_natural_sounds_unwanted_in_a_session_or_take_read_no_audio(copied, store, analysed):
    run("intake", copied, "--moved", "--store", store)
    description = copied / "session.toml"
    description.write_text(description.read_text().replace("[session]", '[session]\nnatural_sounds = "none"'))
    every = len(SHEET)
    assert f"{every} takes, {every} of them" in run("intake", copied, "--store", store).out
    sheet = copied / "take_sheet.csv"
    header, *rows = sheet.read_text().splitlines()
    sheet.write_text("\n".join([f"{header},natural_sounds", f"{rows[0]},usual", *(f"{one}," for one in rows[1:])]))
    assert "1 of them" in run("intake", copied, "--store", store).out
    assert analysed == []


def test_only_the_take_with_a_changed_file_is_analysed_again(copied, store, queue, analysed):
    run("intake", copied, "--moved", "--store", store)
    assert analysed == []  # the same files elsewhere
    os.utime(copied / "audio" / "T007_room.wav")
    assert (
        run("intake", copied, "--moved", "--store", store).out == "mill-day2-b: 10 takes, 1 of them new or changed\n"
    )
    assert analysed == ["T007"] and asked("queue", store) == queue


def test_a_row_changed_on_the_sheet_changes_what_is_expected_of_its_take(copied, store):
    sheet = copied / "take_sheet.csv"
    sheet.write_text(sheet.read_text().replace(row(LACKING, SHEET[LACKING]), row(LACKING, SHEET[LACKING][:1], 5)))
    assert "1 of them" in run("intake", copied, "--moved", "--store", store).out
    (take,) = (one for one in asked("queue", store)["takes"] if one["take"] == LACKING)
    assert {spot["kind"] for spot in take["spots"]} >= {"wrong-note"}


def test_a_take_whose_files_are_gone_leaves_the_queue_and_is_reported(copied, store):
    for path in (copied / "audio").glob("T008_*"):
        path.unlink()
    output = run("intake", copied, "--moved", "--store", store)
    assert output.status == 3 and "1 of 10 takes are no longer in audio/: T008" in output.err
    takes = asked("queue", store)["takes"]
    assert "T008" not in {take["take"] for take in takes}
    assert [take["rank"] for take in takes] == list(range(1, 10))
    assert asked("arrivals", store)["missing"] == [{"take": "T008", "mic": mic} for mic in MICS]


def test_a_verdict_outlives_a_new_intake_of_its_take(copied, store):
    assert run("verdict", WRONG, "reject", "--by", "anna", "--store", store).status == 0
    os.utime(copied / "audio" / f"{WRONG}_close.wav")
    assert "1 of them" in run("intake", copied, "--moved", "--store", store).out
    verdicts = {take["take"]: take["verdict"] for take in asked("queue", store)["takes"]}
    assert verdicts == dict.fromkeys(SHEET) | {WRONG: "reject"}


@pytest.mark.parametrize("database, processes", [("sqlite", 2), ("postgresql", 1)])
def test_the_same_input_gives_the_same_queue_to_the_byte(
    folder, filled, tmp_path, postgres, monkeypatch, database, processes
):
    monkeypatch.setattr(workers, "cores", lambda: processes)
    store = sqlite(tmp_path, "fresh") if database == "sqlite" else postgres.empty_database()
    run("intake", folder, "--store", store)
    for what in ("queue", "notes", "hits", "arrivals"):
        assert run(what, "--format", "json", "--store", store) == run(what, "--format", "json", "--store", filled)


def test_the_recordings_are_only_read(folder, before, filled, queue):
    assert files_of(folder) == before


def test_a_second_folder_of_the_same_name_does_not_take_the_first_ones_place(filled, folder, tmp_path):
    address = f"sqlite:///{tmp_path / 'store.db'}"
    shutil.copy(filled.removeprefix("sqlite:///"), tmp_path / "store.db")
    other = write_takes(tmp_path / "other", {"T900": play((50,), 9)}, [row("T900", (50,), 1)])
    output = run("intake", other, "--store", address)
    assert output.status == 1 and f"was taken in from {folder.resolve()}, which is still there" in output.err
    assert len(asked("queue", address)["takes"]) == len(SHEET)
    copied = Path(shutil.copytree(folder, tmp_path / "copied"))  # the same recordings in another place
    output = run("intake", copied, "--store", address)
    assert output.status == 1 and "this is a copy of it, and nothing was changed" in output.err
    output = run("intake", copied, "--moved", "--store", address)
    assert output.status == 0 and f"its recordings are read from {copied.resolve()} from now on" in output.err


@pytest.mark.parametrize("how", ["empty", "gone"])
def test_a_disk_that_is_not_mounted_costs_nothing(copied, store, queue, how):
    assert run("intake", copied, "--moved", "--store", store).status == 0
    (copied / "audio").rename(copied.parent / "unmounted")
    if how == "empty":
        (copied / "audio").mkdir()
    output = run("intake", copied, "--store", store)
    assert output.status == 1 and output.err.count("\n") == 1
    assert "10 of the 10 takes taken in of 'mill-day2-b' are not there (T001, T002, T003, T004, T005 and 5 more)" in (
        output.err
    )
    assert asked("queue", store) == queue
    assert run("intake", copied, "--forget", "--store", store).status == 3
    assert asked("queue", store)["takes"] == []
