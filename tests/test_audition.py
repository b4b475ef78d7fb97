"""Stretches of recordings as WAV bytes: values worked out by hand, and Python's own reader of WAV files."""

import numpy as np
import pytest
import soundfile

from triage.audition.excerpts import (
    BLOCK_SAMPLES,
    HEADER_BYTES,
    Cut,
    cut,
    inside,
    loudness_lufs,
    matching_gain_db,
    peak_dbfs,
    session_folder,
    unpacked,
)
from triage.domain.errors import AudioError
from triage.domain.take import Track

RATE_HZ = 48_000


def written(folder, samples: np.ndarray, name: str = "a.wav", subtype: str = "PCM_24") -> Track:
    soundfile.write(folder / name, samples, RATE_HZ, subtype=subtype)
    return Track("close", name, 0)


def sine(level_dbfs: float, length_s: float, hz: float = 997.0) -> np.ndarray:
    return 10 ** (level_dbfs / 20) * np.sin(2 * np.pi * hz * np.arange(round(length_s * RATE_HZ)) / RATE_HZ)


def whole(found: Cut) -> bytes:
    return b"".join(found.bytes_between(0, found.size))


def test_a_stretch_longer_than_a_block_comes_whole_and_in_pieces_alike(tmp_path):
    samples = np.random.default_rng(1).integers(-(2**23), 2**23, 2 * BLOCK_SAMPLES + 77, dtype=np.int32) << 8
    found = cut(written(tmp_path, samples), tmp_path)
    body = whole(found)
    assert len(body) == found.size and (unpacked(body[HEADER_BYTES:], 3) == samples >> 8).all()
    for start in (0, 43, 45, 3 * BLOCK_SAMPLES + 43, found.size - 1):
        for length in (1, 2, 50, 200_000):
            end = min(found.size, start + length)
            assert b"".join(found.bytes_between(start, end)) == body[start:end]


def test_no_more_than_a_block_is_held_at_once(tmp_path):
    found = cut(written(tmp_path, np.zeros(10 * BLOCK_SAMPLES)), tmp_path)
    assert max(len(piece) for piece in found.bytes_between(0, found.size)) <= 3 * BLOCK_SAMPLES


def test_peaks_and_gains_in_decibels(tmp_path):
    quiet, loud = sine(-30.0, 1.0), sine(-7.0, 1.0)
    assert peak_dbfs(cut(written(tmp_path, quiet), tmp_path)) == pytest.approx(-30.0, abs=0.02)
    assert cut(written(tmp_path, quiet), tmp_path, gain_db=12.0).gain_db == 12.0
    # 1 dB brings a sine of -7 dBFS to the ceiling of -6; a stretch above it is never raised, and may be lowered.
    assert cut(written(tmp_path, loud), tmp_path, gain_db=12.0).gain_db == pytest.approx(1.0, abs=0.02)
    assert cut(written(tmp_path, sine(-3.0, 1.0)), tmp_path, gain_db=12.0).gain_db == 0.0
    assert cut(written(tmp_path, loud), tmp_path, gain_db=-99.0).gain_db == -30.0
    assert peak_dbfs(cut(written(tmp_path, np.zeros(10)), tmp_path)) == -np.inf


@pytest.mark.parametrize("length_s", [0.2, 1.0, 4.0])
def test_loudness_is_that_of_the_standard_whatever_the_length(tmp_path, length_s):
    # ITU-R BS.1770: a 997 Hz sine of full scale in one channel reads -3.01 LUFS.
    found = cut(written(tmp_path, sine(-20.0, length_s)), tmp_path)
    assert loudness_lufs(found) == pytest.approx(-23.01, abs=0.15)


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
    samples = unpacked(whole(found)[HEADER_BYTES:], 3)
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
