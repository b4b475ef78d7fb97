"""Backgrounds read right: tones and noises of known level, between notes, against the standards and a filter bank."""

import numpy as np
import pytest
from scipy import signal

from triage.domain.errors import AudioError
from triage.listen.background import CENTRES_HZ, OCTAVES_HZ, BackgroundMeter

RATE_HZ = 48_000


def meter(*channels, rate_hz=RATE_HZ, block_s=1.0):
    """Return what is read of whole channels handed over in blocks."""
    waveform = np.stack(channels).astype(np.float32)
    listening = BackgroundMeter(rate_hz, len(waveform))
    step = round(block_s * rate_hz)
    for first in range(0, waveform.shape[1], step):
        listening.add(waveform[:, first : first + step])
    return listening.result()


def tone(hz, peak_dbfs, seconds=4.0, rate_hz=RATE_HZ):
    return 10 ** (peak_dbfs / 20) * np.sin(2 * np.pi * hz * np.arange(round(seconds * rate_hz)) / rate_hz)


def white(rms_dbfs, seconds=8.0, seed=1):
    return np.random.default_rng(seed).standard_normal(round(seconds * RATE_HZ)) * 10 ** (rms_dbfs / 20)


def pink(seconds=20.0, seed=2):
    spectrum = np.fft.rfft(np.random.default_rng(seed).standard_normal(round(seconds * RATE_HZ)))
    hz = np.fft.rfftfreq(round(seconds * RATE_HZ), 1 / RATE_HZ)
    return 1e-3 * np.fft.irfft(spectrum / np.sqrt(np.maximum(hz, 1.0)))


# IEC 61672-1:2013, table 3, at the exact frequency of each nominal one.
@pytest.mark.parametrize(
    "place, weight_db", [(0, -39.4), (1, -26.2), (2, -16.1), (3, -8.6), (5, 0.0), (7, 1.0), (8, -1.1)]
)
def test_a_calibrated_tone_reads_its_level_in_its_octave_and_a_weighted(place, weight_db):
    found = meter(tone(CENTRES_HZ[place], -40.0))[0]
    assert found.octaves_dbfs[place] == pytest.approx(-43.01, abs=0.1)  # mean square: 3.01 dB under the peak
    assert found.a_dbfs == pytest.approx(-43.01 + weight_db, abs=0.15)
    assert max(level for at, level in enumerate(found.octaves_dbfs) if at != place) < -80.0


def test_every_octave_of_pink_noise_is_equally_loud():
    levels = np.array(meter(pink())[0].octaves_dbfs)
    assert np.abs(levels - np.median(levels)).max() < 1.0


def test_octaves_of_white_noise_rise_by_three_decibels_and_agree_with_a_filter_bank():
    waveform = white(-60.0, 20.0)
    levels = np.array(meter(waveform)[0].octaves_dbfs)
    assert np.diff(levels[3:]) == pytest.approx(3.0, abs=0.4)  # 0.3 decades: 10 log10 2 of bandwidth
    for centre, level in zip(CENTRES_HZ[:9], levels, strict=False):
        # Another implementation: scipy's Butterworth of high order between the edges of IEC 61260-1.
        sos = signal.butter(6, [centre * 10**-0.15, centre * 10**0.15], "band", fs=RATE_HZ, output="sos")
        inside = signal.sosfilt(sos, waveform)[RATE_HZ:]
        assert level == pytest.approx(10 * np.log10((inside**2).mean()), abs=1.0)


def test_a_weighted_noise_agrees_with_the_weights_on_its_whole_spectrum():
    # Computed from the formula of the standard on a plain Fourier transform of the whole noise.
    waveform = white(-60.0, 20.0)
    hz = np.fft.rfftfreq(len(waveform), 1 / RATE_HZ)
    f1, f2, f3, f4 = 20.6**2, 107.7**2, 737.9**2, 12194.0**2
    square = hz**2
    gain = f4 * square**2 / ((square + f1) * np.sqrt((square + f2) * (square + f3)) * (square + f4)) * 10**0.1
    power = np.abs(np.fft.rfft(waveform)) ** 2 * 2 / len(waveform) ** 2
    assert meter(waveform)[0].a_dbfs == pytest.approx(10 * np.log10((power * gain**2).sum()), abs=0.3)


def test_notes_and_their_tails_are_not_the_background():
    waveform = white(-70.0, 24.0)
    alone = meter(waveform)[0]
    at_s = np.arange(round(1.0 * RATE_HZ)) / RATE_HZ
    for start in range(12):
        # one second of 220 Hz, and a tail with a reverberation time of 0.9 s: 0.6 s of each gap are quiet
        note = np.concatenate((np.ones(round(0.4 * RATE_HZ)), 10 ** (-3 * at_s / 0.9)))[: 2 * RATE_HZ]
        first = 2 * start * RATE_HZ
        waveform[first : first + len(note)] += 0.2 * note * np.sin(2 * np.pi * 220 * np.arange(len(note)) / RATE_HZ)
    found = meter(waveform)[0]
    assert found.a_dbfs == pytest.approx(alone.a_dbfs, abs=1.0)
    assert found.octaves_dbfs == pytest.approx(alone.octaves_dbfs, abs=1.5)


def test_each_channel_has_its_own_background_whatever_the_blocks():
    quiet, loud = white(-80.0, seed=3), white(-50.0, seed=4)
    long, short = meter(quiet, loud, block_s=8.0), meter(quiet, loud, block_s=0.13)
    assert long[1].a_dbfs - long[0].a_dbfs == pytest.approx(30.0, abs=0.3)
    for one, other in zip(long, short, strict=True):
        assert other.a_dbfs == pytest.approx(one.a_dbfs, abs=1e-3)


def test_digital_silence_has_no_background_and_no_number_is_silence():
    found = meter(np.zeros(RATE_HZ), np.full(RATE_HZ, np.nan))
    assert [(one.a_dbfs, set(one.octaves_dbfs)) for one in found] == [(None, {None})] * 2


def test_a_dropout_is_not_taken_for_a_quiet_room():
    waveform = white(-60.0)
    waveform[RATE_HZ : 2 * RATE_HZ] = 0.0
    assert meter(waveform)[0].a_dbfs == pytest.approx(meter(white(-60.0))[0].a_dbfs, abs=0.3)


def test_a_take_shorter_than_a_window_has_no_background():
    assert [meter(waveform)[0].a_dbfs for waveform in (white(-60.0, 0.1), np.zeros(0))] == [None, None]


@pytest.mark.parametrize("rate_hz, octaves", [(44_100, 10), (16_000, 8), (96_000, 10)])
def test_octaves_above_half_the_rate_are_not_known(rate_hz, octaves):
    waveform = np.random.default_rng(5).standard_normal(4 * rate_hz) * 1e-3
    found = meter(waveform, rate_hz=rate_hz)[0].octaves_dbfs
    assert len(found) == len(OCTAVES_HZ) == 10
    assert [level is not None for level in found] == [place < octaves for place in range(10)]


def test_a_rate_that_is_no_music_is_refused():
    with pytest.raises(AudioError, match="4000 Hz"):
        BackgroundMeter(4_000, 1)
