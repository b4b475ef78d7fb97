"""Loudness against published standards: ITU-R BS.1770-4, EBU Tech 3341 (0.1 LU), and pyloudnorm."""

import numpy as np
import pyloudnorm
import pytest
from scipy.signal import sosfreqz

from triage.domain.errors import AudioError
from triage.listen.loudness import integrated_lufs, k_weighting_sos, momentary_lufs, note_lufs, true_peak_dbtp

RATE = 48_000
SHORT_TERM_S = 3.0  # of Tech 3341


def sine(parts, hz=1000.0, channels=2, rate=RATE):
    """Segments of a sine: pairs of peak level in dBFS (None: silence) and seconds."""
    gain = np.concatenate([np.full(round(s * rate), 0.0 if db is None else 10 ** (db / 20)) for db, s in parts])
    return np.tile(gain * np.sin(2 * np.pi * hz * np.arange(gain.size) / rate), (channels, 1))


def test_the_weighting_at_48_khz_is_the_standards_table():
    """BS.1770-4 annex 1, tables 1 and 2, printed to 14 digits."""
    table = [
        [1.53512485958697, -2.69169618940638, 1.19839281085285, 1, -1.69065929318241, 0.73248077421585],
        [1, -2, 1, 1, -1.99004745483398, 0.99007225036621],
    ]
    np.testing.assert_allclose(k_weighting_sos(48_000), table, atol=1e-13)


@pytest.mark.parametrize("rate", [44_100, 48_000, 88_200, 96_000, 192_000])
def test_the_weightings_response_is_that_of_the_table_at_any_rate(rate):
    """Computed from the table; above 2 kHz the bilinear transform's warping differs between rates."""
    hz = np.array([20, 50, 100, 200, 500, 997, 1000, 2000, 4000, 10000])
    expected = [-13.28, -3.93, -1.13, -0.27, 0.04, 0.691, 0.698, 3.07, 3.97, 4.04]
    response = sosfreqz(k_weighting_sos(rate), 2 * np.pi * hz / rate)[1]
    np.testing.assert_allclose(20 * np.log10(np.abs(response)), expected, atol=0.006 if rate == 48_000 else 0.06)


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000, 192_000])
def test_a_full_scale_sine_in_one_channel_reads_minus_3_01(rate):
    """BS.1770-4 annex 1: -3.01 LKFS at 997 Hz; the bilinear transform's warping costs 0.027 at 192 kHz."""
    slack = 0.002 if rate == 48_000 else 0.03
    assert integrated_lufs(sine([(0, 2)], 997, 1, rate), rate) == pytest.approx(-3.0103, abs=slack)
    assert integrated_lufs(sine([(0, 2)], 997, 2, rate), rate) == pytest.approx(0.0, abs=slack)


@pytest.mark.parametrize(
    "case, parts, expected",
    [
        (1, [(-23, 20)], -23.0),
        (2, [(-33, 20)], -33.0),
        (3, [(-36, 10), (-23, 60), (-36, 10)], -23.0),
        (4, [(-72, 10), (-36, 10), (-23, 60), (-36, 10), (-72, 10)], -23.0),
        (5, [(-26, 20), (-20, 20.1), (-26, 20)], -23.0),
    ],
)
def test_integrated_loudness_of_tech_3341(case, parts, expected):
    x = sine(parts)
    assert integrated_lufs(x, RATE) == pytest.approx(expected, abs=0.03)
    second = pyloudnorm.Meter(RATE, filter_class="DeMan").integrated_loudness(x.T)
    assert integrated_lufs(x, RATE) == pytest.approx(second, abs=0.002)
    if case < 3:
        assert momentary_lufs(x, RATE)[-1] == pytest.approx(expected, abs=0.02)
        assert momentary_lufs(x, RATE, window_s=SHORT_TERM_S)[-1] == pytest.approx(expected, abs=0.02)


def test_surround_channels_weigh_1_41():
    """Tech 3341 case 6."""
    x = np.concatenate([sine([(db, 20)], channels=1) for db in (-28, -28, -24, -30, -30)])
    assert integrated_lufs(x, RATE, (1, 1, 1, 1.41, 1.41)) == pytest.approx(-23.0, abs=0.05)


def test_short_term_loudness_is_steady_over_its_own_period():
    """Tech 3341 case 9: -23.0 constant after 3 s."""
    found = momentary_lufs(sine([(-20, 1.34), (-30, 1.66)] * 5), RATE, window_s=SHORT_TERM_S)
    np.testing.assert_allclose(found, -23.0, atol=0.1)


@pytest.mark.parametrize("i", [0, 1, 7, 13, 19])
def test_the_highest_short_term_loudness_finds_three_seconds_anywhere(i):
    """Tech 3341 cases 10 and 11."""
    for db in (-23, -38 + i):
        x = sine([(None, 0.15 * i), (db, 3), (None, 1)])
        assert momentary_lufs(x, RATE, window_s=SHORT_TERM_S).max() == pytest.approx(db, abs=0.1)


def test_momentary_loudness_is_steady_over_its_own_period():
    """Tech 3341 case 12: -23.0 constant after 1 s."""
    found = momentary_lufs(sine([(-20, 0.18), (-30, 0.22)] * 25), RATE)
    np.testing.assert_allclose(found[60:], -23.0, atol=0.1)


@pytest.mark.parametrize("i", range(0, 20, 3))
def test_the_highest_momentary_loudness_finds_a_short_tone_anywhere(i):
    """Tech 3341 cases 13 and 14; a note's loudness is that maximum."""
    for db in (-23, -38 + i):
        x = sine([(None, 0.02 * i), (db, 0.4), (None, 1)])
        assert note_lufs(x, RATE) == pytest.approx(db, abs=0.1)


def test_a_short_note_is_as_loud_as_a_long_one_at_its_level():
    """0.1 s at the level of 2 s: the window shrinks to the note (this project's rule)."""
    short, long = (note_lufs(sine([(-20, s)], channels=1)[0], RATE) for s in (0.1, 2.0))
    assert short == pytest.approx(long, abs=0.1)


@pytest.mark.parametrize(
    "case, divisor, phase_deg, amplitude, expected",
    [
        (15, 4, 0, 0.5, -6.0),
        (16, 4, 45, 0.5, -6.0),
        (17, 6, 60, 0.5, -6.0),
        (18, 8, 67.5, 0.5, -6.0),
        (19, 4, 45, 1.41, 3.0),
    ],
)
def test_true_peak_of_tech_3341(case, divisor, phase_deg, amplitude, expected):
    """Tolerance +0.2 / -0.4 dB."""
    x = amplitude * np.sin(2 * np.pi * np.arange(RATE) / divisor + np.radians(phase_deg))
    x *= np.clip(np.minimum(np.arange(RATE), np.arange(RATE)[::-1]) / 2400, 0, 1)
    assert expected - 0.4 <= true_peak_dbtp(x, RATE) <= expected + 0.2


def test_twice_the_gain_is_6_02_louder():
    x = np.random.default_rng(0).standard_normal(RATE) * 0.1
    for measure in (integrated_lufs, note_lufs, true_peak_dbtp):
        assert measure(2 * x, RATE) - measure(x, RATE) == pytest.approx(6.0206, abs=1e-4)


@pytest.mark.parametrize("x", [np.zeros(0), np.zeros(100), np.zeros(RATE)])
def test_silence_has_no_loudness(x):
    assert np.isnan(integrated_lufs(x, RATE)) and np.isnan(note_lufs(x, RATE)) and np.isnan(true_peak_dbtp(x, RATE))


def test_other_shapes_and_values_are_refused():
    with pytest.raises(AudioError, match="transpose"):
        integrated_lufs(np.zeros((100, 2)), RATE)
    with pytest.raises(AudioError, match="not finite"):
        note_lufs(np.array([np.inf] * 5000), RATE)
    with pytest.raises(AudioError, match="3 channel weights for 2"):
        integrated_lufs(np.zeros((2, 100)), RATE, (1, 1, 1))
