import hashlib
import os

import numpy as np
import pytest

from tests.intake import files
from tests.intake.files import ramp, wav, write, write_session
from triage.domain.arrivals import ArrivalProblem
from triage.domain.sheet_row import SheetRow
from triage.intake.arrivals import ArrivedSession, check_arrivals
from triage.intake.session import read_session
from triage.intake.sheet import read_sheet

LONG = ramp(9_600)  # 0.2 s at 48 kHz


@pytest.fixture
def folder(tmp_path):
    """Two takes of two mics, all there and sound."""
    write_session(tmp_path)
    for take in ("T001", "T002"):
        for mic in ("close", "room"):
            write(tmp_path / "audio" / f"{take}_{mic}.wav", wav(LONG))
    return tmp_path


def check(folder) -> ArrivedSession:
    session = read_session(folder)
    return check_arrivals(folder, session, read_sheet(folder / "take_sheet.csv", session.middle_c_octave))


def heard(found: ArrivedSession) -> dict[str, list[tuple[str, str, int]]]:
    return {take.name: [(t.mic, t.path, t.channel) for t in take.tracks] for take in found.takes}


WHOLE = {
    take: [("close", f"audio/{take}_close.wav", 0), ("room", f"audio/{take}_room.wav", 0)]
    for take in ("T001", "T002")
}


def nothing_else(found: ArrivedSession, *but: str) -> None:
    for what in {"missing", "unexpected", "broken", "unlike"} - set(but):
        assert found.arrivals.of_kind(what) == (), what


def test_a_session_that_is_all_there_has_nothing_to_tell(folder):
    found = check(folder)
    assert heard(found) == WHOLE
    assert (found.arrivals.complete, found.arrivals.problems) == (2, ())
    nothing_else(found)
    assert found.takes[0].sheet_row.expected() == (53, 53, 55, 55)


def test_recordings_are_only_read(folder):
    def state():
        paths = sorted(path for path in folder.rglob("*") if path.is_file())
        return [(path, path.stat().st_mtime_ns, hashlib.sha256(path.read_bytes()).hexdigest()) for path in paths]

    write(folder / "audio" / "T001_room.wav", wav(LONG)[:-99])
    before = state()
    check(folder)
    assert state() == before


def test_a_file_that_did_not_arrive_is_missing_and_the_take_goes_on(folder):
    (folder / "audio" / "T001_room.wav").unlink()
    found = check(folder)
    assert found.arrivals.of_kind("missing") == (ArrivalProblem("missing", take="T001", mic="room"),)
    assert heard(found) == {**WHOLE, "T001": WHOLE["T001"][:1]}
    assert found.arrivals.complete == 1
    nothing_else(found, "missing")


def test_a_take_of_which_nothing_came_is_missing_mic_by_mic(folder):
    for mic in ("close", "room"):
        (folder / "audio" / f"T002_{mic}.wav").unlink()
    found = check(folder)
    assert found.arrivals.of_kind("missing") == (
        ArrivalProblem("missing", take="T002", mic="close"),
        ArrivalProblem("missing", take="T002", mic="room"),
    )
    assert [take.name for take in found.takes] == ["T001"]


@pytest.mark.parametrize(
    "data, why",
    [
        (wav(LONG)[:-1_000], "truncated"),
        (b"", "zero length"),
        (b"hello" * 99, "not audio"),
        (files.riff(files.fmt(channels=0), files.chunk(b"data", b"xx")), "unreadable"),
    ],
)
def test_a_broken_file_is_told_and_left_out(folder, data, why):
    write(folder / "audio" / "T001_close.wav", data)
    found = check(folder)
    (entry,) = found.arrivals.of_kind("broken")
    assert entry.path == "audio/T001_close.wav" and entry.why.startswith(why)
    assert heard(found) == {**WHOLE, "T001": WHOLE["T001"][1:]}
    assert found.arrivals.complete == 1
    nothing_else(found, "broken")


def test_a_take_whose_every_file_is_broken_is_still_a_take(folder):
    for mic in ("close", "room"):
        write(folder / "audio" / f"T001_{mic}.wav", b"")
    assert heard(check(folder)) == {**WHOLE, "T001": []}


def test_unknown_files_are_unexpected_and_litter_is_not_reported(folder):
    for name in (
        "notes.txt",
        "T003_spot.wav",
        "T001_close.asd",
        "sub/T001_close.wav",
        ".DS_Store",
        "._T001_close.wav",
    ):
        write(folder / "audio" / name, b"x")
    found = check(folder)
    assert tuple(entry.path for entry in found.arrivals.of_kind("unexpected")) == (
        "audio/T001_close.asd",
        "audio/T003_spot.wav",
        "audio/notes.txt",
        "audio/sub/T001_close.wav",
    )
    assert len(found.arrivals.problems) == 4 and all(
        "fits no take and mic by" in line for line in found.arrivals.problems
    )
    assert heard(found) == WHOLE


def test_of_two_files_for_one_track_the_first_is_used(folder):
    write(folder / "audio" / "T001_close.WAV", wav(ramp(4_800)))
    found = check(folder)
    assert tuple(entry.path for entry in found.arrivals.of_kind("unexpected")) == ("audio/T001_close.wav",)
    assert heard(found)["T001"][0] == ("close", "audio/T001_close.WAV", 0)
    assert found.arrivals.problems == (
        "audio/T001_close.wav: a second file for take T001, mic close; audio/T001_close.WAV is used, remove one",
    )


def test_a_take_not_on_the_sheet_is_unexpected_and_still_ranked(folder):
    write(folder / "audio" / "T000_close.wav", wav(LONG))
    found = check(folder)
    assert tuple(entry.path for entry in found.arrivals.of_kind("unexpected")) == ("audio/T000_close.wav",)
    assert [take.name for take in found.takes] == ["T001", "T002", "T000"]
    assert found.takes[2].sheet_row == SheetRow("T000")
    assert (found.arrivals.of_kind("missing"), found.arrivals.complete) == ((), 2)
    assert "take T000: not on the take sheet" in found.arrivals.problems[0]


def test_without_a_sheet_the_takes_found_are_those_meant(folder):
    (folder / "take_sheet.csv").unlink()
    (folder / "audio" / "T002_room.wav").unlink()
    found = check(folder)
    assert found.arrivals.of_kind("missing") == (ArrivalProblem("missing", take="T002", mic="room"),)
    assert found.arrivals.complete == 1
    assert len(found.arrivals.problems) == 1 and "take_sheet.csv: not found" in found.arrivals.problems[0]
    nothing_else(found, "missing")


def test_no_audio_folder_is_one_line_and_all_is_missing(folder):
    os.rename(folder / "audio", folder / "elsewhere")
    found = check(folder)
    assert len(found.arrivals.problems) == 1 and found.arrivals.problems[0].startswith("audio: no such folder")
    assert len(found.arrivals.of_kind("missing")) == 4 and found.takes == ()


def test_a_take_named_with_the_separator_is_found(folder):
    write(folder / "take_sheet.csv", b"take\nT001_b\n")
    for mic in ("close", "room"):
        write(folder / "audio" / f"T001_b_{mic}.wav", wav(LONG))
    assert "T001_b" in heard(check(folder))


def test_fields_of_the_file_name_fill_the_gaps_of_the_sheet(tmp_path):
    write_session(
        tmp_path, (), name="{take}_{instrument}_{articulation}_{dynamic}_{pitch}_{repetition}.flac", mics=("a",)
    )
    write(tmp_path / "take_sheet.csv", b"take,instrument,dynamic\nT1,alto horn,\n")
    files.encode(tmp_path / "audio" / "T1_horn_long_ff_F#3_2.flac", LONG)
    files.encode(tmp_path / "audio" / "T2_horn_long_ff_X_1.flac", LONG)
    first, second = check(tmp_path).takes
    assert (first.sheet_row.instrument, first.sheet_row.articulation, first.sheet_row.dynamic) == (
        "alto horn",
        "long",
        "ff",
    )
    assert (first.sheet_row.pitches, first.sheet_row.repetitions) == ((54,), 1)
    assert second.sheet_row.pitches == ()
    assert any(
        "take T2: pitch in the file name: 'X' is no pitch" in line for line in check(tmp_path).arrivals.problems
    )


def test_a_20_ms_take_is_told_and_still_there(folder):
    for mic in ("close", "room"):
        write(folder / "audio" / f"T001_{mic}.wav", wav(ramp(960)))
    found = check(folder)
    assert found.arrivals.problems == ("take T001: 20 ms long, too short for a note; was it recorded by mistake?",)
    assert heard(found) == WHOLE


@pytest.mark.parametrize(
    "data, what, told, expected",
    [
        (wav(ramp(8_820), rate_hz=44_100), "sample_rate_hz", 44_100, 48_000),
        (wav(LONG, bits=24), "bit_depth", 24, 16),
        (wav(ramp(9_600, 2)), "channels", 2, 1),
    ],
)
def test_a_file_unlike_the_others_is_told_and_used(folder, data, what, told, expected):
    write(folder / "audio" / "T001_room.wav", data)
    found = check(folder)
    assert found.arrivals.of_kind("unlike") == (
        ArrivalProblem("unlike", "audio/T001_room.wav", what=what, found=told, expected=expected),
    )
    assert (heard(found), found.arrivals.complete) == (WHOLE, 2)
    nothing_else(found, "unlike")


def test_without_a_rate_in_the_description_that_of_most_files_counts(folder):
    text = (folder / "session.toml").read_text().replace("sample_rate_hz = 48000\n", "")
    write(folder / "session.toml", text.encode())
    write(folder / "audio" / "T001_room.wav", wav(ramp(19_200), rate_hz=96_000))
    (entry,) = check(folder).arrivals.of_kind("unlike")
    assert (entry.found, entry.expected) == (96_000, 48_000)


def test_silence_and_nan_pass_the_arrivals_check(folder):
    data = files.riff(files.fmt(bits=32, tag=3), files.chunk(b"data", np.full(9_600, np.nan, "<f4").tobytes()))
    write(folder / "audio" / "T001_close.wav", data)
    write(folder / "audio" / "T002_close.wav", wav(0 * LONG))
    found = check(folder)
    assert heard(found) == WHOLE
    nothing_else(found, "unlike")


def test_a_session_of_one_take_and_one_mic_is_a_session(tmp_path):
    write_session(tmp_path, ("T1",), mics=("close",))
    write(tmp_path / "audio" / "T1_close.wav", wav(LONG))
    assert check(tmp_path).arrivals.complete == 1


def test_every_line_is_one_line_and_names_no_folder_outside(folder):
    write(folder / "audio" / "T001_close.wav", b"junk\n" * 9)
    write(folder / "audio" / "no\nname.wav", b"x")
    found = check(folder)
    lines = [*found.arrivals.problems, *(entry.why for entry in found.arrivals.of_kind("broken"))]
    assert lines and all("\n" not in line and str(folder) not in line for line in lines)


def test_natural_sounds_are_wanted_as_the_row_says_or_else_as_the_session_says(folder):
    sheet = "take,natural_sounds\nT001,usual\nT002,\n"
    write(folder / "take_sheet.csv", sheet.encode())
    write(folder / "audio" / "T000_close.wav", wav(LONG))
    for extra, rest in (("", ""), ('natural_sounds = "usual"', ""), ('natural_sounds = "none"', "none")):
        write(folder / "session.toml", files.session_toml(extra=extra).encode())
        wanted = {take.name: take.sheet_row.natural_sounds for take in check(folder).takes}
        assert wanted == {"T001": "usual", "T002": rest, "T000": rest}
