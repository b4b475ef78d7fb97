"""Wobble, vibrato, drift and spread against synthetic contours (computed) and Praat."""

import numpy as np
import parselmouth
import pytest

from triage.domain.errors import AudioError
from triage.listen.envelope import rms_envelope_db
from triage.listen.pitch import track
from triage.listen.steadiness import amplitude_modulation, drift_cents_s, spread_cents, vibrato

RATE, HOP = 48_000, 0.005


def seconds(duration_s, hop_s=HOP):
    return np.arange(round(duration_s / hop_s)) * hop_s


@pytest.mark.parametrize("depth_db, rate_hz", [(0.5, 3.0), (1.0, 5.0), (3.0, 8.0), (2.0, 11.0)])
@pytest.mark.parametrize("trend_db_s", [0.0, -30.0, 6.0])
def test_a_wobble_has_its_depth_and_rate_on_any_trend(depth_db, rate_hz, trend_db_s):
    t = seconds(2.0)
    depth, rate, _ = amplitude_modulation(-20 + trend_db_s * t + depth_db / 2 * np.sin(2 * np.pi * rate_hz * t), HOP)
    assert depth == pytest.approx(depth_db, rel=0.03)
    assert rate == pytest.approx(rate_hz, abs=0.05)


def test_a_tremolo_in_samples_is_found_through_the_envelope():
    """Amplitude 1 +- 0.1: 20 log10(1.1 / 0.9) = 1.743 dB peak to peak (computed)."""
    t = np.arange(2 * RATE) / RATE
    x = 0.3 * (1 + 0.1 * np.sin(2 * np.pi * 6 * t)) * np.sin(2 * np.pi * 55 * t)
    depth, rate, _ = amplitude_modulation(rms_envelope_db(x, RATE, HOP, f0_hz=55)[10:-10], HOP)
    assert depth == pytest.approx(1.743, rel=0.04)
    assert rate == pytest.approx(6.0, abs=0.05)


@pytest.mark.parametrize("duration_s", [0.2, 0.3, 0.5, 1.0, 3.0])
def test_a_plucked_decay_is_not_a_wobble(duration_s):
    t = seconds(duration_s)
    assert amplitude_modulation(-10 - 25 * t, HOP)[0] < 0.01
    two_slopes = 10 * np.log10(np.exp(-t / 0.15) + 0.1 * np.exp(-t / 0.8))
    assert amplitude_modulation(two_slopes, HOP)[0] < 0.35


def wobbling(depth, rate_hz, duration_s, noise, seed, hop_s=0.002):
    """A contour of that depth, peak to peak, from any phase, on a decay; its noise lasts some steps, as in notes."""
    rng, t = np.random.default_rng(seed), seconds(duration_s, hop_s)
    scatter = np.convolve(rng.standard_normal(t.size + 5), np.full(6, 6**-0.5), "valid")
    return depth / 2 * np.sin(2 * np.pi * rate_hz * t + rng.uniform(0, 2 * np.pi)) - 25 * t + noise * scatter


@pytest.mark.parametrize(
    "duration_s, rate_hz, low, high, spread",  # of 2 dB and noise of 0.1 dB: bounds of the mean, and the spread
    [
        (0.25, 4.0, 1.1, 1.5, 0.35),  # one turn alone: a third is taken for the note's trend
        (0.25, 5.5, 1.9, 2.15, 0.25),
        (0.3, 5.0, 1.9, 2.1, 0.2),
        (0.3, 7.0, 1.9, 2.1, 0.1),
        (0.4, 4.0, 1.9, 2.1, 0.15),
        (0.49, 6.0, 1.95, 2.05, 0.08),
    ],
)
def test_a_short_notes_wobble_is_found_with_the_bias_and_spread_stated(duration_s, rate_hz, low, high, spread):
    found = np.array([amplitude_modulation(wobbling(2, rate_hz, duration_s, 0.1, i), 0.002) for i in range(60)])
    assert low < found[:, 0].mean() < high
    assert found[:, 0].std() < spread
    assert np.isnan(found[:, 1]).all()  # so few turns show no rate


@pytest.mark.parametrize("duration_s", [0.25, 0.4, 0.5, 1.0])
@pytest.mark.parametrize("depth", [0.0, 2.0])
def test_the_error_of_a_wobble_is_its_spread_over_many_notes_alike(depth, duration_s):
    found = np.array([amplitude_modulation(wobbling(depth, 6.0, duration_s, 0.3, i), 0.002) for i in range(80)])
    assert 0.6 < np.median(found[:, 2]) / found[:, 0].std() < 2.2  # wider rather than narrower where little is seen


def test_a_shorter_note_says_less_of_its_wobble_and_of_its_vibrato():
    level = [amplitude_modulation(wobbling(1, 6.0, t, 0.2, 1), 0.002).error for t in (0.25, 0.45, 1.0, 3.0)]
    pitch = [vibrato(440 * 2 ** (wobbling(20, 6.0, t, 2, 2, 0.01) / 1200), 0.01) for t in (0.25, 0.45, 1.0, 3.0)]
    assert level == sorted(level, reverse=True) and level[0] > 2 * level[2]
    assert [one.error for one in pitch] == sorted((one.error for one in pitch), reverse=True)
    assert [one.depth for one in pitch] == pytest.approx([10] * 4, abs=2)


def test_one_wrong_octave_in_a_short_contour_is_no_vibrato_of_hundreds_of_cents():
    f0 = 440 * 2 ** (wobbling(20, 6.0, 0.3, 1, 3, 0.01) / 1200)
    f0[12] *= 2
    assert vibrato(f0, 0.01).depth < 25


def test_noise_on_a_level_has_no_rate():
    contour = 0.2 * np.random.default_rng(0).standard_normal(600)
    assert np.isnan(amplitude_modulation(contour, HOP)[1])


def test_the_published_vibrato_is_found_as_praat_finds_it():
    """440 Hz, 6 Hz, +-50 cents: Praat (praat-parselmouth 0.4.7) gives 6.006 Hz and 49.0 cents."""
    t = np.arange(2 * RATE) / RATE
    x = 0.3 * np.sin(2 * np.pi * np.cumsum(440 * 2 ** (50 / 1200 * np.sin(2 * np.pi * 6 * t))) / RATE)
    extent, rate, _ = vibrato(track(x, RATE).f0_hz[5:-5], 0.01)
    assert extent == pytest.approx(50.0, abs=1.5)
    assert rate == pytest.approx(6.0, abs=0.05)
    praat = parselmouth.Sound(x, RATE).to_pitch_ac(time_step=0.01, pitch_floor=150, pitch_ceiling=1000)
    second = vibrato(praat.selected_array["frequency"], 0.01)[:2]
    assert (extent, rate) == pytest.approx(second, rel=0.02)


def test_vibrato_bridges_unvoiced_frames_and_refuses_too_many():
    t = seconds(2.0, 0.01)
    f0 = 220 * 2 ** (30 / 1200 * np.sin(2 * np.pi * 5 * t))
    f0[::10] = np.nan
    extent, rate, _ = vibrato(f0, 0.01)
    assert extent == pytest.approx(30, rel=0.05) and rate == pytest.approx(5, abs=0.05)
    f0[40:120] = np.nan
    assert np.isnan(vibrato(f0, 0.01)).all()


def test_drift_is_the_slope_in_spite_of_outliers_and_gaps():
    t = seconds(1.0, 0.01)
    f0 = 110 * 2 ** (-20 / 1200 * t)
    f0[[3, 50]], f0[20:25] = 220, np.nan
    assert drift_cents_s(f0, 0.01) == pytest.approx(-20, abs=0.1)


def test_spread_of_normal_values_is_their_standard_deviation():
    """1.4826 MAD: computed; 4000 values, so within 5 %."""
    f0 = 110 * 2 ** (7 / 1200 * np.random.default_rng(1).standard_normal(4000))
    assert spread_cents(f0) == pytest.approx(7, rel=0.05)


def test_gain_moves_no_wobble_and_transposition_no_vibrato():
    t = seconds(1.5)
    contour = np.sin(2 * np.pi * 4 * t) - 5 * t
    assert amplitude_modulation(contour + 6.0206, HOP) == pytest.approx(amplitude_modulation(contour, HOP))
    f0 = 100 * 2 ** (contour / 100)
    assert vibrato(2 * f0, HOP) == pytest.approx(vibrato(f0, HOP))


@pytest.mark.parametrize("values", [np.empty(0), np.full(1, 5.0), np.full(39, 5.0)])
def test_too_short_is_nan(values):
    assert np.isnan(amplitude_modulation(values, HOP)).all()
    assert np.isnan(vibrato(values, HOP)).all()


def test_a_level_course_without_change_has_no_wobble_and_no_rate():
    depth, rate, _ = amplitude_modulation(np.full(400, -20.0), HOP)
    assert depth == pytest.approx(0, abs=1e-9) and np.isnan(rate)


def test_unvoiced_throughout_is_nan():
    f0 = np.full(200, np.nan)
    assert np.isnan([*vibrato(f0, 0.01), drift_cents_s(f0, 0.01), spread_cents(f0)]).all()


def test_cents_in_place_of_hertz_are_refused():
    with pytest.raises(AudioError, match="cents"):
        vibrato(np.array([-3.0, 2.0]), 0.01)
    with pytest.raises(AudioError, match="not finite"):
        amplitude_modulation(np.array([np.nan, 1.0]), HOP)
