"""One take: which microphone it is heard on, and what is said when that is not the one asked for."""

import numpy as np
import pytest
import soundfile

from tests.sessions import MICS, RATE_HZ, play
from triage.intake.integrity import check_file
from triage.intake.roll import Take, Track
from triage.intake.sheet import SheetRow
from triage.take import listen_take

MEANT = SheetRow("T001", "horn", "staccato", "mf", (60, 62), 1, "")


def heard(folder, tracks, together):
    """Write a take's tracks (mic, sample), together in one file or each in its own, and listen to it."""
    if together:
        soundfile.write(folder / "T001.wav", tracks.T, RATE_HZ, "PCM_24")
        places = [("T001.wav", channel) for channel in range(len(tracks))]
    else:
        places = [(f"T001_{mic}.wav", 0) for mic in MICS]
        for (name, _), track in zip(places, tracks, strict=True):
            soundfile.write(folder / name, track, RATE_HZ, "PCM_24")
    listed = tuple(
        Track(mic, name, channel, check_file(folder / name))
        for mic, (name, channel) in zip(MICS, places, strict=True)
    )  # fmt: skip
    return listen_take(Take("T001", MEANT, {}, listed, MEANT), folder, "close", 442.0)


@pytest.mark.parametrize("together", [True, False])
def test_a_take_is_heard_on_the_judging_microphone(tmp_path, together):
    record = heard(tmp_path, play([60, 62], 1), together)
    assert (record.heard_on, len(record.notes), record.problem) == ("close", 2, None)


@pytest.mark.parametrize("together", [True, False])
def test_where_that_one_is_silent_the_next_is_heard_and_it_is_said(tmp_path, together):
    tracks = play([60, 62], 1)
    tracks[0] = 0.0
    record = heard(tmp_path, tracks, together)
    assert (record.heard_on, len(record.notes)) == ("room", 2)
    assert record.problem == "measured on room: close is not there, or holds no note"
    assert ("dead-track", "close") in [(hit.kind, hit.mic) for hit in record.hits]


def test_a_take_without_any_note_says_so(tmp_path):
    floor = np.random.default_rng(0).standard_normal((2, 2 * RATE_HZ)) * 1e-4
    record = heard(tmp_path, floor, together=False)
    assert record.notes == () and record.problem == "no note found: silence, or nothing above the floor"
