"""One take: which microphone it is measured on, and what is reported when that is not the one asked for."""

from dataclasses import replace

import numpy as np
import pytest
import soundfile

from tests.sessions import MICS, RATE_HZ, play
from triage.analysis.take import analyse_take
from triage.domain.sheet_row import SheetRow
from triage.intake.arrivals import TakeFiles, TrackFile
from triage.intake.integrity import check_file
from triage.ranking.findings import findings_of
from triage.ranking.note_table import note_table, rows_by_note
from triage.ranking.placing import place

MEANT = SheetRow("T001", "horn", "staccato", "mf", (60, 62), 1, "")


def analysed(folder, tracks, together):
    """Write a take's tracks (mic, sample), together in one file or each in its own, and analyse it."""
    if together:
        soundfile.write(folder / "T001.wav", tracks.T, RATE_HZ, "PCM_24")
        places = [("T001.wav", channel) for channel in range(len(tracks))]
    else:
        places = [(f"T001_{mic}.wav", 0) for mic in MICS]
        for (name, _), track in zip(places, tracks, strict=True):
            soundfile.write(folder / name, track, RATE_HZ, "PCM_24")
    listed = tuple(
        TrackFile(mic, name, channel, check_file(folder / name))
        for mic, (name, channel) in zip(MICS, places, strict=True)
    )
    return analyse_take(TakeFiles("T001", listed, MEANT), folder, "close", 442.0)


@pytest.mark.parametrize("together", [True, False])
def test_a_take_is_measured_on_the_reference_microphone(tmp_path, together):
    record = analysed(tmp_path, play([60, 62], 1), together)
    assert (record.measured_mic, len(record.notes), record.problem) == ("close", 2, None)


@pytest.mark.parametrize("together", [True, False])
def test_where_that_one_is_silent_the_next_is_measured_and_it_is_reported(tmp_path, together):
    tracks = play([60, 62], 1)
    tracks[0] = 0.0
    record = analysed(tmp_path, tracks, together)
    assert (record.measured_mic, len(record.notes)) == ("room", 2)
    assert record.problem == "measured on room: close is not there, or holds no note"
    assert ("dead-track", "close") in [(hit.kind, hit.mic) for hit in record.hits]


def test_a_reference_microphone_with_nothing_but_its_floor_is_a_dead_track_in_one_take_of_several(tmp_path):
    takes = []
    for number in range(1, 7):
        tracks = play([60, 62], number)
        if number == 4:  # no digital silence: a preamplifier hisses on
            tracks[0] = 10 ** (-90 / 20) * np.random.default_rng(0).standard_normal(tracks.shape[1])
        takes.append(replace(analysed(tmp_path, tracks, together=False), name=f"T{number:03}"))
    assert takes[3].measured_mic == "room"
    assert takes[3].floors[0].note_dbfs == pytest.approx(-90, abs=3)
    placed, missing, _ = place(takes, 442.0)
    found = findings_of(placed, rows_by_note(note_table(placed)), missing, {})
    assert [(one.spot.take, one.spot.mic) for one in found if one.spot.kind == "dead-track"] == [("T004", "close")]


def test_a_take_without_any_note_says_so(tmp_path):
    floor = np.random.default_rng(0).standard_normal((2, 2 * RATE_HZ)) * 1e-4
    record = analysed(tmp_path, floor, together=False)
    assert record.notes == () and record.problem == "no note found: silence, or nothing above the floor"


def knock(at_s, length_s, rng):
    """A dull blow that dies in a quarter of a second, laid into silence."""
    t = np.arange(round(0.3 * RATE_HZ)) / RATE_HZ
    blow = (np.sin(2 * np.pi * 170 * t) + 0.5 * rng.standard_normal(len(t))) * np.exp(-t / 0.03)
    track = np.zeros(round(length_s * RATE_HZ))
    first = round(at_s * RATE_HZ)
    track[first : first + len(blow)] += blow
    return track


@pytest.mark.parametrize("nearer, later_s", [("close", (0.0, 0.006)), ("room", (0.006, 0.0))])
def test_a_knock_is_one_hit_at_the_microphone_that_it_reaches_first(tmp_path, nearer, later_s):
    tracks, rng = play([60, 62, 64, 60], 1), np.random.default_rng(3)
    quiet_s = analysed(tmp_path, tracks, together=False).notes[1].ring_end_s + 0.05
    blow = 0.02 * knock(quiet_s, tracks.shape[1] / RATE_HZ, rng)
    spoilt = tracks + np.stack([np.roll(blow, round(s * RATE_HZ)) for s in later_s])
    (hit,) = [h for h in analysed(tmp_path, spoilt, together=True).hits if h.level_dbfs is not None]
    assert hit.mic == nearer and set(hit.mics) == {"close", "room"}
    assert hit.start_s == pytest.approx(quiet_s, abs=0.15) and hit.exposed > 0.5


def test_what_is_clipped_carries_its_true_peak(tmp_path):
    tracks = play([60, 62], 1)
    tracks[1] = np.clip(tracks[1] * 8 / np.abs(tracks[1]).max(), -0.99, 0.99)
    hits = [h for h in analysed(tmp_path, tracks, together=True).hits if h.kind == "clipped"]
    assert {h.mic for h in hits} == {"room"}
    assert all(-0.2 < h.level_dbfs < 3.0 for h in hits)  # flat tops ring above themselves between the samples


def test_hum_is_told_once_for_the_whole_take(tmp_path):
    tracks = play([60, 62], 1)
    t = np.arange(tracks.shape[1]) / RATE_HZ
    tracks[1] += 0.003 * (np.sin(2 * np.pi * 50 * t) + 0.5 * np.sin(2 * np.pi * 150 * t))
    (hum,) = [h for h in analysed(tmp_path, tracks, together=False).hits if h.kind == "hum"]
    assert (hum.mic, hum.note, hum.start_s) == ("room", None, 0.0)
    assert hum.level_dbfs == pytest.approx(20 * np.log10(0.003) - 3.01 + 0.97, abs=0.5)  # two sines' mean squares


def test_a_clean_take_has_no_hit(tmp_path):
    assert analysed(tmp_path, play([60, 62, 64], 1), together=True).hits == ()
