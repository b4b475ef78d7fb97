from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.intake.files import session_toml, write
from tests.sessions import HEADER, RATE_HZ, play, row, write_takes
from triage.analysis import file_pass
from triage.analysis.file_pass import read_files
from triage.analysis.take import analyse_take
from triage.domain.errors import AudioError
from triage.intake.arrivals import TakeFiles, check_arrivals
from triage.intake.session import read_session
from triage.intake.sheet import read_sheet

PITCHES = (55, 58, 60)
MICS = tuple(f"m{k}" for k in range(6))


def called(folder: Path) -> TakeFiles:
    session = read_session(folder)
    (take,) = check_arrivals(folder, session, read_sheet(folder / "take_sheet.csv", 4)).takes
    return take


@pytest.fixture(scope="module")
def tracks() -> np.ndarray:
    close, room = play(PITCHES, seed=5)
    rng = np.random.default_rng(1)
    return np.stack([close, *(share * close + room for share in (0.8, 0.6, 0.4, 0.2)), room]) + 1e-4 * (
        rng.standard_normal((6, len(close)))
    )


@pytest.fixture
def in_many(tmp_path: Path, tracks: np.ndarray) -> TakeFiles:
    """A take of six files."""
    folder = write_takes(tmp_path / "many", {}, [row("T001", PITCHES, 1)])
    write(folder / "session.toml", session_toml(mics=MICS).encode())
    for mic, track in zip(MICS, tracks, strict=True):
        soundfile.write(folder / "audio" / f"T001_{mic}.wav", track, RATE_HZ, "PCM_24")
    return called(folder)


@pytest.fixture
def in_one(tmp_path: Path, tracks: np.ndarray) -> TakeFiles:
    """The same take in one file of six channels."""
    folder = tmp_path / "one"
    write(folder / "session.toml", session_toml(name="{take}.wav", mics=MICS).encode())
    write(folder / "take_sheet.csv", "\n".join((HEADER, row("T001", PITCHES, 1), "")).encode())
    (folder / "audio").mkdir()
    soundfile.write(folder / "audio" / "T001.wav", tracks.T, RATE_HZ, "PCM_24")
    return called(folder)


def record(take: TakeFiles, folder: Path, read_ahead: int) -> dict:
    values = vars(analyse_take(take, folder, "m0", 442.0, read_ahead=read_ahead)).copy()
    notes = [
        vars(note) | {"embeddings": {k: v.tobytes() for k, v in note.embeddings.items()}}
        for note in values.pop("notes")
    ]
    return values | {"notes": repr(notes)}


def test_reading_ahead_changes_nothing_to_the_last_digit(tmp_path, in_many):
    assert record(in_many, tmp_path / "many", 1) == record(in_many, tmp_path / "many", 3)


def test_channels_of_one_file_are_shared_out_and_nothing_changes(tmp_path, in_one, monkeypatch):
    alone = record(in_one, tmp_path / "one", 1)
    assert [len(group) for group, _ in read_files(in_one.tracks, tmp_path / "one")] == [6]
    assert [len(group) for group, _ in read_files(in_one.tracks, tmp_path / "one", 3)] == [2, 2, 2]
    shared = record(in_one, tmp_path / "one", 3)
    assert shared["audio_digest"] == alone["audio_digest"] and len(shared["floors"]) == 6
    assert [(h.kind, h.mic, h.start_s) for h in shared["hits"]] == [(h.kind, h.mic, h.start_s) for h in alone["hits"]]
    monkeypatch.setattr(file_pass, "MOST_S", 2 * in_one.tracks[0].facts.duration_s)
    # A long file is read in several groups even by one thread.
    assert [len(group) for group, _ in read_files(in_one.tracks, tmp_path / "one")] == [2, 2, 2]


def test_one_file_and_many_hold_the_same_take(tmp_path, in_one, in_many):
    one, many = (
        analyse_take(take, tmp_path / name, "m0", 442.0) for take, name in ((in_one, "one"), (in_many, "many"))
    )
    assert one.audio_digest == many.audio_digest and len(one.notes) == len(many.notes) == 3
    for a, b in zip(one.notes, many.notes, strict=True):
        assert a.measurements == pytest.approx(b.measurements, abs=1e-3, nan_ok=True)


def test_a_file_that_cannot_be_read_is_told_in_its_place(tmp_path, in_many):
    (tmp_path / "many" / in_many.tracks[2].path).unlink()
    found = list(read_files(in_many.tracks, tmp_path / "many", 3))
    assert [group[0].mic for group, _ in found] == list(MICS)
    assert [isinstance(one, AudioError) for _, one in found] == [False, False, True, False, False, False]


def test_no_more_files_are_held_than_are_read_ahead(tmp_path, in_many, monkeypatch):
    begun, real = [], file_pass._read_or_error

    def counted(group, folder):
        begun.append(group[0].mic)
        return real(group, folder)

    monkeypatch.setattr(file_pass, "_read_or_error", counted)
    reading = read_files(in_many.tracks, tmp_path / "many", 2)
    next(reading)
    assert len(begun) <= 4  # the one in hand, two in work, one that waits
    reading.close()
