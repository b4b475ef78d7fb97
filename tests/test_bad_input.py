"""What goes wrong with a session's files and sheet: one clear line each, and everything else is ranked all the same.

One session has nearly all of it at once, for trouble seldom comes alone; what concerns a whole session has its own.
"""

import os
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
import soundfile
from scipy.signal import resample_poly

from tests.commands import Output, asked, run, sqlite
from tests.intake.files import session_toml, write
from tests.sessions import MICS, RATE_HZ, play, row, write_takes
from triage.analysis import workers

PITCHES = (50, 51)  # each twice


class Outcome(NamedTuple):
    """What intake printed, and what it left in the store."""

    output: Output
    takes: dict[str, dict]
    notes: dict[str, int]
    arrivals: dict
    store: str


def outcome(folder: Path, store: str) -> Outcome:
    """Take a folder in; check that it went by itself, that every take has its rank and every line is a line."""
    output = run("intake", folder, "--store", store)
    queue, notes, arrivals = (asked(what, store) for what in ("queue", "notes", "arrivals"))
    takes = {take["take"]: take for take in queue["takes"]}
    assert [take["rank"] for take in queue["takes"]] == list(range(1, len(takes) + 1))
    assert all(
        line.startswith(("note: ", "files are missing", "the take sheet asks")) for line in output.err.splitlines()
    )
    assert output.status == (
        3 if arrivals["missing"] or arrivals["broken"] or "the take sheet asks" in output.err else 0
    )
    analysed = [note["take"] for note in notes["notes"]]
    return Outcome(output, takes, {name: analysed.count(name) for name in takes}, arrivals, store)


def good(seed: int = 0, rate_hz: int = RATE_HZ) -> np.ndarray:
    return play([pitch for pitch in PITCHES for _ in range(2)], seed, rate_hz)


def spoil(audio: Path, takes: dict[str, np.ndarray]) -> None:
    """Do to single takes what happens to takes; T001 to T003 stay as they are."""
    track = takes["T005"][0]
    holed = takes["T004"][0].copy()
    holed[40_000:40_010] = np.nan
    holed[90_000] = np.inf
    soundfile.write(audio / "T004_close.wav", holed, RATE_HZ, subtype="FLOAT")
    for mic in MICS:
        soundfile.write(audio / f"T005_{mic}.wav", 0 * track, RATE_HZ, subtype="PCM_24")
        soundfile.write(audio / f"T006_{mic}.wav", track[: RATE_HZ // 50], RATE_HZ, subtype="PCM_24")
    os.truncate(audio / "T008_room.wav", 200_000)
    os.truncate(audio / "T009_close.wav", 200_000)
    (audio / "T010_room.wav").unlink()
    (audio / "T011_close.wav").unlink()
    slower = resample_poly(takes["T012"][1], 147, 160)
    soundfile.write(audio / "T012_room.wav", slower, 44_100, subtype="PCM_24")
    soundfile.write(audio / "T013_room.WAV", takes["T013"][1], RATE_HZ, subtype="PCM_24")
    write(audio / "T015_close.wav", b"")
    write(audio / "T015_room.wav", b"this is no recording\n")
    soundfile.write(audio / "slate.wav", track[:4_800], RATE_HZ, subtype="PCM_24")


@pytest.fixture(scope="module", autouse=True)
def one_process():
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(workers, "cores", lambda: 1)
        yield


@pytest.fixture(scope="module")
def sorry(tmp_path_factory) -> Outcome:
    folder = tmp_path_factory.mktemp("sorry")
    names = [f"T{n:03}" for n in range(1, 17)]
    takes = {name: good(seed) for seed, name in enumerate(names)}
    takes["T007"] = play([50], 7)
    rows = {name: row(name, PITCHES) for name in [*names, "T017"]}  # T017 is on the sheet and nowhere else
    rows["T007"] = row("T007", (50,), 1)
    rows["T014"] = "T014,horn,staccato,mf,50 H9,2,"
    del rows["T016"]
    write_takes(folder, takes, list(rows.values()))
    sheet = folder / "take_sheet.csv"
    sheet.write_text(sheet.read_text().replace("remark", "tempo"))
    spoil(folder / "audio", takes)
    return outcome(folder, sqlite(folder))


def test_every_take_that_came_is_ranked_whatever_is_wrong_with_it(sorry):
    assert set(sorry.takes) == {f"T{n:03}" for n in range(1, 17)}
    assert all(0 <= take["doubt"] <= 1 for take in sorry.takes.values())
    assert sorry.output.out == "mill-day2-b: 16 takes, 16 of them new or changed\n" and sorry.output.status == 3


@pytest.mark.parametrize("take", ["T001", "T002", "T003", "T004", "T008", "T010", "T012", "T013", "T014", "T016"])
def test_a_take_is_measured_on_its_reference_microphone_whatever_the_other_has(sorry, take):
    assert sorry.notes[take] == 4


@pytest.mark.parametrize("take", ["T009", "T011"])
def test_a_take_without_its_reference_microphone_is_measured_on_another(sorry, take):
    assert sorry.notes[take] == 4


@pytest.mark.parametrize("take, count", [("T005", 0), ("T006", 0), ("T007", 1), ("T015", 0)])
def test_a_take_with_one_note_or_none_is_ranked_too(sorry, take, count):
    assert sorry.notes[take] == count and sorry.takes[take]["rank"]


@pytest.mark.parametrize(
    "words",
    [
        ("take_sheet.csv", "column 'tempo'", "known columns"),
        ("take_sheet.csv", "T014", "H9"),
        ("T004", "11 samples are not numbers"),
        ("T005", "no note found"),
        ("T006", "20 ms long"),
        ("T013_room", "second file"),
        ("T016", "not on the take sheet"),
        ("slate.wav", "fits no take and mic"),
    ],
)
def test_each_trouble_is_one_line_that_names_the_place(sorry, words):
    (line,) = (line for line in sorry.output.err.splitlines() if all(word in line for word in words))
    assert line.startswith("note: ")


def test_files_missing_broken_unexpected_and_unlike_are_the_arrivals(sorry):
    found = sorry.arrivals
    missing = [("T010", "room"), ("T011", "close"), ("T017", "close"), ("T017", "room")]
    assert sorted((entry["take"], entry["mic"]) for entry in found["missing"]) == missing
    broken = [f"audio/T0{name}.wav" for name in ("08_room", "09_close", "15_close", "15_room")]
    assert sorted(entry["path"] for entry in found["broken"]) == broken
    unexpected = ("T013_room", "T016_close", "T016_room", "slate")
    assert found["unexpected"] == [f"audio/{name}.wav" for name in unexpected]
    unlike = {(entry["path"], entry["what"], entry["found"], entry["expected"]) for entry in found["unlike"]}
    assert {
        ("audio/T012_room.wav", "sample_rate_hz", 44_100, 48_000),
        ("audio/T004_close.wav", "bit_depth", 32, 24),
    } == unlike
    assert found["complete"] == 10  # of 17 and T016: not T008 to T011, T015, T017


@pytest.mark.parametrize(
    "take, kind, mic",
    [
        ("T005", "dead-track", "close"),
        ("T008", "truncated", None),
        ("T009", "truncated", None),
        ("T015", "truncated", None),
    ],
)
def test_broken_and_dead_files_are_spots_of_their_take(sorry, take, kind, mic):
    assert (kind, mic) in {(spot["kind"], spot["mic"]) for spot in sorry.takes[take]["spots"]}
    assert sorry.takes[take]["doubt"] > max(sorry.takes[name]["doubt"] for name in ("T001", "T002", "T003"))


def test_the_queue_says_of_a_cut_short_file_what_to_do_and_json_how_many_bytes_it_lacks(sorry):
    listed = run("queue", "--store", sorry.store).out
    assert "the copy of T008_room.wav is cut short: fetch it again" in " ".join(listed.split())
    assert "bytes of samples promised" not in listed
    assert any("bytes of samples promised" in spot["why"] for spot in sorry.takes["T008"]["spots"])


@pytest.fixture
def folder(tmp_path) -> Path:
    """Write a session of two good takes."""
    takes = {"T001": good(1), "T002": good(2)}
    return write_takes(tmp_path / "session", takes, [row(name, PITCHES) for name in takes])


@pytest.mark.parametrize(
    "was, becomes, named",
    [
        ("a4_hz = 442.0", "a4_hertz = 442.0", "a4_hertz"),
        ("date = 2026-03-14", "", "date"),
        ("442.0", "'high'", "a4_hz"),
        ("[session]", "[session", "session.toml"),
        ("{take}_{mic}", "{tape}_{mic}", "tape"),
    ],
)
def test_a_slip_in_the_description_is_one_line_that_names_the_key(folder, was, becomes, named):
    toml = folder / "session.toml"
    toml.write_text(toml.read_text().replace(was, becomes))
    output = run("intake", folder, "--store", sqlite(folder))
    assert (output.status, output.out, output.err.count("\n")) == (1, "", 1)
    assert output.err.startswith(f"error: {toml}: ") and named in output.err


def test_a_folder_without_a_description_says_how_to_make_one(tmp_path):
    output = run("intake", tmp_path, "--store", sqlite(tmp_path))
    assert output.status == 1 and "triage new" in output.err and output.err.count("\n") == 1


def test_an_empty_session_is_taken_in_and_needs_a_person(folder):
    for path in (folder / "audio").iterdir():
        path.unlink()
    found = outcome(folder, sqlite(folder))
    assert found.takes == {} and len(found.arrivals["missing"]) == 4 and found.output.status == 3


def test_a_session_of_one_take_is_ranked(folder):
    for path in (folder / "audio").glob("T002_*"):
        path.unlink()
    found = outcome(folder, sqlite(folder))
    assert list(found.takes) == ["T001"] and found.notes == {"T001": 4}


def test_without_a_sheet_the_takes_are_ranked_and_one_line_says_so(folder):
    (folder / "take_sheet.csv").unlink()
    found = outcome(folder, sqlite(folder))
    assert found.notes == {"T001": 4, "T002": 4} and found.output.status == 0
    assert found.output.err == "note: take_sheet.csv: not found; takes are ranked without knowing what was planned\n"
    assert found.takes["T001"]["instrument"] in (None, "")


def test_with_an_unreadable_sheet_the_takes_are_ranked_all_the_same(folder):
    (folder / "take_sheet.csv").write_bytes(b"PK\x03\x04\0\0 a spreadsheet, not CSV")
    found = outcome(folder, sqlite(folder))
    assert found.notes == {"T001": 4, "T002": 4} and "save it as CSV" in found.output.err


@pytest.mark.parametrize(
    "suffix, subtype, rate_hz",
    [
        ("aiff", "PCM_24", 48_000),
        ("flac", "PCM_24", 48_000),
        ("wav", "FLOAT", 48_000),
        ("rf64", "PCM_16", 48_000),
        ("wav", "PCM_24", 44_100),
        ("wav", "PCM_32", 96_000),
    ],
)
def test_every_format_and_rate_of_the_design_is_heard_alike(tmp_path, suffix, subtype, rate_hz):
    takes = {name: good(seed, rate_hz) for seed, name in enumerate(("T001", "T002"))}
    rows = [row(name, PITCHES) for name in takes]
    found = outcome(write_takes(tmp_path / "session", takes, rows, suffix, subtype, rate_hz), sqlite(tmp_path))
    assert (found.output.status, found.output.err, found.notes) == (0, "", {"T001": 4, "T002": 4})
    assert found.arrivals["unlike"] == [] and found.arrivals["complete"] == 2
    for note in asked("notes", sqlite(tmp_path))["notes"]:
        assert note["pitch_midi"] == PITCHES[(note["note"] - 1) // 2] and abs(note["cents"]) < 10


def test_one_file_with_all_microphones_gives_the_same_notes(folder, tmp_path):
    reference = outcome(folder, sqlite(tmp_path, "tracks"))
    for take in ("T001", "T002"):
        paths = [folder / "audio" / f"{take}_{mic}.wav" for mic in MICS]
        both = np.stack([soundfile.read(path, dtype="int32")[0] for path in paths], axis=1)
        soundfile.write(folder / "audio" / f"{take}.wav", both, RATE_HZ, subtype="PCM_24")
        for path in paths:
            path.unlink()
    write(folder / "session.toml", session_toml(name="{take}.wav").encode())
    found = outcome(folder, sqlite(tmp_path, "whole"))
    assert found.output == reference.output and found.takes == reference.takes
    apart, together = (asked("notes", sqlite(tmp_path, name))["notes"] for name in ("tracks", "whole"))
    # Two channels at once are summed in another order: spectra differ by the rounding of 32 bits.
    for one, other in zip(apart, together, strict=True):
        numbers = {name: value for name, value in one.items() if isinstance(value, float)}
        assert {name: other[name] for name in numbers} == pytest.approx(numbers, rel=1e-3)
        assert {**other, **numbers} == one


@pytest.mark.parametrize("arguments", [("intake",), ("intake", "a", "b"), ("queue", "--format", "yaml"), ("listen",)])
def test_wrong_usage_is_status_two_and_says_nothing_on_stdout(arguments):
    output = run(*arguments)
    assert (output.status, output.out) == (2, "") and output.err
