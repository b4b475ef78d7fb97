"""Segments of recordings as WAV files: values worked out by hand, and Python's own reader of WAV files."""

import wave

import numpy as np
import pytest
import soundfile

from triage.audition.excerpts import (
    BLOCK_SAMPLES,
    KEPT_FILES,
    Cut,
    ExcerptCache,
    cut,
    inside,
    loudness_lufs,
    matching_gain_db,
    peak_dbfs,
)
from triage.audition.folders import session_folder
from triage.audition.note_curves import brightness_curve, loudness_curve
from triage.domain.errors import AudioError
from triage.domain.take import Track
from triage.listen.loudness import note_lufs

RATE_HZ = 48_000


def written(folder, samples: np.ndarray, name: str = "a.wav", subtype: str = "PCM_24") -> Track:
    soundfile.write(folder / name, samples, RATE_HZ, subtype=subtype)
    return Track("close", name, 0)


def sine(level_dbfs: float, length_s: float, hz: float = 997.0) -> np.ndarray:
    return 10 ** (level_dbfs / 20) * np.sin(2 * np.pi * hz * np.arange(round(length_s * RATE_HZ)) / RATE_HZ)


def whole(found: Cut) -> np.ndarray:
    return np.concatenate([np.zeros(0, int), *found.blocks()])


def test_a_segment_longer_than_a_block_comes_whole(tmp_path):
    samples = np.random.default_rng(1).integers(-(2**23), 2**23, 2 * BLOCK_SAMPLES + 77, dtype=np.int32) << 8
    found = cut(written(tmp_path, samples), tmp_path, start_s=0.5)
    assert (whole(found) == samples[RATE_HZ // 2 :] >> 8).all()
    found.write(tmp_path / "excerpt.wav")
    with wave.open(str(tmp_path / "excerpt.wav")) as file:
        assert (file.getnchannels(), file.getsampwidth(), file.getnframes()) == (1, 3, len(samples) - RATE_HZ // 2)
    assert (soundfile.read(tmp_path / "excerpt.wav", dtype="int32")[0] == samples[RATE_HZ // 2 :]).all()


def test_no_more_than_a_block_is_held_at_once(tmp_path):
    found = cut(written(tmp_path, np.zeros(10 * BLOCK_SAMPLES)), tmp_path)
    assert max(map(len, found.blocks())) <= BLOCK_SAMPLES


def test_excerpts_are_written_once_and_the_oldest_go(tmp_path, monkeypatch):
    found = cut(written(tmp_path, sine(-20.0, 1.0)), tmp_path)
    cache = ExcerptCache(most_bytes=10)
    first = cache.file(found, "first")
    made = first.stat().st_mtime_ns
    assert cache.file(found, "first") == first and first.stat().st_mtime_ns == made
    for number in range(KEPT_FILES - 1):
        cache.file(found, f"more-{number}")
    assert cache.file(found, "first") == first  # used again, it is not the oldest any longer
    cache.file(found, "last")
    names = {path.stem for path in first.parent.iterdir()}
    assert len(names) == KEPT_FILES and {"first", "last"} <= names and "more-0" not in names
    cache.close()
    assert not first.parent.exists()


def test_peaks_and_gains_in_decibels(tmp_path):
    quiet, loud = sine(-30.0, 1.0), sine(-7.0, 1.0)
    assert peak_dbfs(cut(written(tmp_path, quiet), tmp_path)) == pytest.approx(-30.0, abs=0.02)
    assert cut(written(tmp_path, quiet), tmp_path, gain_db=12.0).gain_db == 12.0
    # 1 dB brings a sine of -7 dBFS to the ceiling of -6; a segment above it is never raised, and may be lowered.
    assert cut(written(tmp_path, loud), tmp_path, gain_db=12.0).gain_db == pytest.approx(1.0, abs=0.02)
    assert cut(written(tmp_path, sine(-3.0, 1.0)), tmp_path, gain_db=12.0).gain_db == 0.0
    assert cut(written(tmp_path, loud), tmp_path, gain_db=-99.0).gain_db == -30.0
    assert peak_dbfs(cut(written(tmp_path, np.zeros(10)), tmp_path)) == -np.inf


@pytest.mark.parametrize("length_s", [0.2, 1.0, 4.0])
def test_loudness_is_that_of_the_standard_whatever_the_length(tmp_path, length_s):
    # ITU-R BS.1770: a 997 Hz sine of full scale in one channel reads -3.01 LUFS.
    found = cut(written(tmp_path, sine(-20.0, length_s)), tmp_path)
    assert loudness_lufs(found) == pytest.approx(-23.01, abs=0.15)


def test_the_loudness_of_a_note_is_the_top_of_its_curve(tmp_path):
    played = np.concatenate([np.zeros(RATE_HZ // 4), sine(-20.0, 1.0), np.zeros(RATE_HZ // 2)])
    found = loudness_curve(cut(written(tmp_path, played), tmp_path), lead_s=0.25)
    # BS.1770: a sine of 997 Hz reads 3.01 LU below its peak; the windows that lie within it stand 0.2 s into it.
    assert abs(found.level.max() + 23.01) < 0.05
    first = found.from_s + found.hop_s * np.flatnonzero(found.level > -23.1)[0]
    assert abs(first - 0.45) < 0.02
    short = cut(written(tmp_path, np.concatenate([np.zeros(RATE_HZ // 4), sine(-20.0, 0.1)]), "short.wav"), tmp_path)
    assert abs(loudness_curve(short, 0.25).level.max() - note_lufs(sine(-20.0, 0.1), RATE_HZ)) < 0.05


def test_the_brightness_of_a_note_is_the_middle_of_its_partials_over_time(tmp_path):
    def tones(*partials: float) -> np.ndarray:
        return sum(sine(-20.0, 0.5, hz) for hz in partials)

    played = np.concatenate([np.zeros(RATE_HZ // 4), tones(220, 440), tones(220, 440, 660, 880)])
    found = brightness_curve(cut(written(tmp_path, played), tmp_path), 0.25, 1.0, 220.0)
    # Equal partials: the middle is the mean of their frequencies.
    assert np.abs(found.level[:5] - 330.0).max() < 5 and np.abs(found.level[-5:] - 550.0).max() < 5
    short = brightness_curve(cut(written(tmp_path, played[: RATE_HZ // 3], "short.wav"), tmp_path), 0.25, 0.03, None)
    assert len(short.level) == 1


def test_a_gain_makes_two_stretches_equally_loud(tmp_path):
    soft = cut(written(tmp_path, sine(-36.0, 0.5), "soft.wav"), tmp_path)
    loud = cut(written(tmp_path, sine(-30.0, 0.5, 700.0), "loud.wav"), tmp_path)
    gain_db = matching_gain_db(soft, loud)
    raised = Cut(soft.path, 0, RATE_HZ, soft.first, soft.last, 3, gain_db)
    assert loudness_lufs(raised) == pytest.approx(loudness_lufs(loud), abs=0.05)
    silent = cut(written(tmp_path, np.zeros(RATE_HZ), "silent.wav"), tmp_path)
    assert matching_gain_db(silent, loud) == matching_gain_db(loud, silent) == 0.0
    faint = cut(written(tmp_path, sine(-80.0, 0.5), "faint.wav"), tmp_path)
    assert matching_gain_db(faint, loud) == 12.0


def test_a_file_that_shrank_since_is_filled_with_silence(tmp_path):
    found = cut(written(tmp_path, sine(-20.0, 1.0)), tmp_path)
    written(tmp_path, sine(-20.0, 0.5))
    samples = whole(found)
    assert len(samples) == RATE_HZ and not samples[RATE_HZ // 2 :].any() and samples[: RATE_HZ // 2].any()


def test_a_channel_that_is_not_there_is_one_line(tmp_path):
    written(tmp_path, np.zeros(10))
    with pytest.raises(AudioError, match="no channel 2; it has 1"):
        cut(Track("close", "a.wav", 1), tmp_path)


def test_only_files_of_the_folder_are_found(tmp_path):
    (tmp_path / "in").mkdir()
    (tmp_path / "out.wav").write_bytes(b"")
    (tmp_path / "in" / "link.wav").symlink_to(tmp_path / "out.wav")
    (tmp_path / "in" / "a.wav").write_bytes(b"")
    assert inside(tmp_path / "in", "a.wav") == tmp_path / "in" / "a.wav"
    for bad in ("../out.wav", "link.wav", str(tmp_path / "out.wav")):
        with pytest.raises(AudioError, match="leads out of the session's folder"):
            inside(tmp_path / "in", bad)
    for bad in ("b.wav", ".", ""):
        with pytest.raises(AudioError, match="no such file"):
            inside(tmp_path / "in", bad)


def test_a_folder_reached_by_a_link_is_a_folder(tmp_path):
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "a.wav").write_bytes(b"")
    (tmp_path / "way").symlink_to(tmp_path / "in")
    assert inside(tmp_path / "way", "a.wav").samefile(tmp_path / "in" / "a.wav")


def test_a_session_is_looked_for_where_this_machine_has_it(tmp_path):
    here, there = tmp_path / "here" / "mill", tmp_path / "there" / "mill"
    here.mkdir(parents=True)
    with pytest.raises(AudioError, match="--recordings"):
        session_folder(str(there))
    assert session_folder(str(there), [here.parent]) == here
    there.mkdir(parents=True)
    assert session_folder(str(there)) == there and session_folder(str(there), [here.parent]) == here


def test_a_session_that_came_as_a_bag_is_found_in_the_bag(tmp_path):
    payload = tmp_path / "here" / "mill-bag" / "data"
    payload.mkdir(parents=True)
    roots = [tmp_path / "here"]
    assert session_folder("/elsewhere/mill", roots) == session_folder("/elsewhere/mill-bag/data", roots) == payload
    assert session_folder(str(payload)) == payload
