"""Log-mel frames against a second implementation and known levels."""

import librosa
import numpy as np
import pytest

from tests.listen.sounds import RATE_HZ, tone
from triage.domain.errors import AudioError
from triage.listen.logmel import F_MAX_HZ, F_MIN_HZ, HOP_S, N_MELS, LogMel, percentile, power_of


def test_frames_agree_with_librosa():
    # other implementation: librosa, HTK mel scale, no area normalisation, power
    wave = tone(233.1, 1.5)
    ours = LogMel(RATE_HZ)
    theirs = librosa.feature.melspectrogram(
        y=wave,
        sr=RATE_HZ,
        n_fft=ours.n_fft,
        hop_length=ours.hop,
        window="hann",
        center=True,
        pad_mode="constant",
        power=2.0,
        n_mels=N_MELS,
        fmin=F_MIN_HZ,
        fmax=F_MAX_HZ,
        htk=True,
        norm=None,
    )
    expected = 10 * np.log10(np.maximum(theirs * 4 / ours.window.sum().item() ** 2, 1e-12))
    frames = ours(wave[None])[0]
    loud = expected[:, : frames.shape[1]] > -80
    assert np.abs(frames - expected[:, : frames.shape[1]])[loud].max() < 0.05


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 88_200, 96_000, 192_000])
def test_a_full_scale_sine_reads_about_zero_db_at_every_rate(rate_hz):
    # known answer: triangular bands overlap at half height, so one sine reads between -6 and 0 dB in its band,
    # and the Hann window spreads it over bins worth 1.76 dB (its equivalent noise bandwidth, 1.5 bins)
    wave = np.sin(2 * np.pi * 997.0 * np.arange(rate_hz) / rate_hz)
    frames = LogMel(rate_hz)(wave[None])[0]
    assert frames.shape == (N_MELS, 100)
    assert -3.1 < frames[:, 50].max() < 1.8
    band = LogMel(rate_hz).band_hz()[frames[:, 50].argmax()]
    assert abs(band - 997.0) < 60


def test_frames_do_not_depend_on_the_blocks():
    wave = np.random.default_rng(0).standard_normal((2, 50_001)) * 0.1
    whole = LogMel(RATE_HZ)(wave)
    parts = np.concatenate(list(LogMel(RATE_HZ).frames(np.split(wave, [7, 480, 5001, 30_000], axis=1))), axis=2)
    assert whole.shape[2] == -(-50_001 // 480)
    np.testing.assert_allclose(parts, whole, atol=1e-4)


def test_a_frame_is_centred_on_its_time():
    wave = np.zeros((1, RATE_HZ))
    wave[0, round(0.5 * RATE_HZ)] = 1.0
    power = (10 ** (LogMel(RATE_HZ)(wave)[0] / 10)).sum(axis=0)
    assert power.argmax() == round(0.5 / HOP_S)


def test_gain_moves_every_level_by_the_gain():
    wave = tone(110.0, 1.0, level_db=-20)[None]
    moved = LogMel(RATE_HZ)(wave * 2) - LogMel(RATE_HZ)(wave)
    np.testing.assert_allclose(moved[LogMel(RATE_HZ)(wave) > -100], 6.0206, atol=0.01)


def test_values_that_are_not_numbers_read_as_silence():
    wave = np.zeros((1, 4800))
    wave[0, 100:200] = np.nan
    assert LogMel(RATE_HZ)(wave).max() == -120.0


def test_a_rate_below_8_khz_is_refused():
    with pytest.raises(AudioError, match="4000 Hz is below"):
        LogMel(4000)


@pytest.mark.parametrize("count", [1, 2, 3, 40, 6000])
@pytest.mark.parametrize("percent", [0, 5, 37.5, 100])
def test_percentiles_and_powers_are_those_of_numpy(count, percent):
    rows = np.random.default_rng(count).uniform(-120, 0, (4, count)).astype(np.float32)
    np.testing.assert_allclose(percentile(rows, percent), np.percentile(rows, percent, axis=1), rtol=1e-5)
    np.testing.assert_allclose(power_of(rows), 10.0 ** (rows.astype(float) / 10), rtol=1e-5)
