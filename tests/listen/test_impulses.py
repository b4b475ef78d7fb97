"""Impulses: the models of known processes, what a click leaves, and false alarms against the Gaussian table."""

import numpy as np
import pytest
from scipy import linalg, signal

from tests.listen.sounds import RATE_HZ, floor, take, tone
from triage.listen.impulses import (
    ORDER,
    ImpulseDetector,
    _medians,
    autoregression,
    highest,
    interpolation_error,
    interpolator,
)


def watched(wave, rate_hz=RATE_HZ, cuts=()):
    wave = np.atleast_2d(wave).astype(np.float32)
    watch = ImpulseDetector(rate_hz, len(wave))
    for block in np.split(wave, sorted(cuts), axis=1):
        watch.add(block)
    return watch.finish()


def correlation(wave, order):
    full = np.correlate(wave, wave, "full")[len(wave) - 1 :]
    return full[: order + 1]


def test_the_recursion_solves_what_the_matrix_solves():
    # other implementation: scipy's Toeplitz solver on the normal equations
    rng = np.random.default_rng(2)
    rows = np.stack(
        [correlation(signal.lfilter([1.0], [1.0, -0.9, 0.4], rng.standard_normal(2000)), 8) for _ in range(3)]
    )
    for row, found in zip(rows, autoregression(rows), strict=True):
        assert found[0] == 1.0
        assert found[1:] == pytest.approx(linalg.solve_toeplitz(row[:-1], -row[1:]), abs=1e-6)


def test_a_known_process_gives_its_own_coefficients():
    # x_n = 1.6 x_(n-1) - 0.8 x_(n-2) + e_n; standard error of each coefficient about sqrt((1 - 0.64) / n) = 0.002
    wave = signal.lfilter([1.0], [1.0, -1.6, 0.8], np.random.default_rng(1).standard_normal(100_000))
    assert autoregression(correlation(wave, 2)[None])[0] == pytest.approx([1.0, -1.6, 0.8], abs=0.01)


def test_silence_gives_the_filter_that_does_nothing():
    assert autoregression(np.zeros((1, 5))).tolist() == [[1.0, 0.0, 0.0, 0.0, 0.0]]


def test_the_interpolator_of_a_first_order_process_is_the_textbook_one():
    # known answer: x_n is best guessed as a (x_(n-1) + x_(n+1)) / (1 + a^2)
    a = 0.9
    b = interpolator(np.array([[1.0, -a]]))[0]
    assert b == pytest.approx([-a / (1 + a * a), 1.0, -a / (1 + a * a)])


def test_an_interpolation_error_is_smaller_than_a_prediction_error():
    # computed: sigma of the interpolation error = sigma of the residual / sqrt(sum a^2)
    a = np.array([1.0, -1.6, 0.8])
    wave = signal.lfilter([1.0], a, np.random.default_rng(3).standard_normal(8192)).astype(np.float32)
    error, _ = interpolation_error(wave[None], side=200)
    assert error.std() == pytest.approx(1 / np.sqrt((a**2).sum()), rel=0.08)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000, 192_000])
def test_a_click_leaves_its_height_where_it_is(rate_hz):
    wave = floor(0.5, rate_hz, -60.0) + np.sin(2 * np.pi * 200 * np.arange(rate_hz // 2) / rate_hz) * 0.1
    at = round(0.2345 * rate_hz)
    wave[at] += 0.02
    track = watched(wave, rate_hz)
    step = max(1, round(0.0005 * rate_hz))
    assert track.error[0].argmax() == at // step
    assert track.error[0].max() == pytest.approx(0.02, rel=0.25)
    assert track.left[0, at // step] < 0.4 * track.error[0].max()


# references: share of a Gaussian residual beyond k sigma, both signs, at 48 kHz: false alarms a minute
@pytest.mark.parametrize("sigmas, a_minute", [(4.0, 182.0), (4.5, 19.6), (5.0, 1.65)])
def test_false_alarms_in_white_noise_are_those_of_the_gaussian_table(sigmas, a_minute):
    minutes = 1.0
    noise = floor(60 * minutes, level_db=-40.0, seed=9)
    track = watched(noise)
    loud = track.error / track.sigma > sigmas
    expected = a_minute * minutes
    assert (
        abs(loud.sum() - expected) <= 4 * np.sqrt(expected) + 0.15 * expected
    )  # Poisson; the scale is itself an estimate


def test_blocks_do_not_show():
    wave = take([(0.2, tone(110.0, 0.5))], 1.0)
    wave[20_000] += 0.05
    whole, cut = watched(wave), watched(wave, cuts=[1, 700, 19_999, 20_001, 33_333])
    for one, other in zip(whole, cut, strict=True):
        # Not to the last bit: on some processors a product of another batch size adds up in another order.
        np.testing.assert_allclose(other, one, rtol=1e-4, atol=1e-7)


def test_a_stretch_shorter_than_a_block_is_heard_as_well():
    track = watched(floor(0.01, level_db=-40))
    assert track.error.shape == (1, 20)
    assert watched(np.zeros((2, 0))).error.shape == (2, 0)
    assert ORDER >= 20


@pytest.mark.parametrize("n", [1, 2, 7, 8, 505])
def test_fast_maxima_and_medians_are_numpys_own(n):
    rows = np.random.default_rng(n).standard_normal((5, 24 * n)).astype(np.float32)
    assert np.array_equal(highest(rows, 24), rows.reshape(5, n, 24).max(axis=2))
    assert _medians(rows[:, :n]) == pytest.approx(np.median(rows[:, :n], axis=1), rel=1e-6)
    assert highest(rows[:, :0], 24).shape == (5, 0)
