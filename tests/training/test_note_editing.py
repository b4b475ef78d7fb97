"""Shapes of a note against formulas and known answers."""

import numpy as np
import pytest

from training import note_editing as shaping

RATE_HZ = 48_000


def sine(hz: float, duration_s: float = 1.0) -> shaping.Array:
    return np.sin(2 * np.pi * hz * np.arange(round(duration_s * RATE_HZ)) / RATE_HZ)


def test_the_onset_is_the_first_frame_within_35_db() -> None:
    ramp_db = np.interp(np.arange(RATE_HZ) / RATE_HZ, [0, 0.1, 0.2, 1], [-80, -80, 0, 0])
    # The rise passes -35 dB at 0.156 s, in the frame that starts at 0.155 s.
    assert shaping.onset_sample(sine(500) * 10 ** (ramp_db / 20), RATE_HZ) == pytest.approx(0.155 * RATE_HZ, abs=240)


def test_the_end_is_20_db_below_the_loudest_frame() -> None:
    time_s = np.arange(RATE_HZ) / RATE_HZ
    # 50 dB a second: 20 dB down at 0.4 s (computed).
    assert shaping.sounding_end(sine(500) * 10 ** (-2.5 * time_s), RATE_HZ) == pytest.approx(0.4 * RATE_HZ, abs=240)


def test_retune_gives_the_sine_of_the_new_frequency() -> None:
    ratio = 2 ** (30 / 1200)
    tuned = shaping.retune(sine(500), ratio)
    middle = slice(5000, 40_000)  # away from the ends, where a cut sine rings
    # A whole number of samples puts the pitch off by up to 0.02 cents: 0.005 of amplitude within a second.
    assert tuned[middle] == pytest.approx(sine(500 * ratio)[middle], abs=6e-3)
    assert len(tuned) == round(RATE_HZ / ratio)


def test_glide_by_a_constant_is_a_retune() -> None:
    bent = shaping.glide(sine(500), np.full(RATE_HZ, 100.0))
    assert bent[200:40_000] == pytest.approx(sine(500 * 2 ** (1 / 12))[200:40_000], abs=1e-3)


@pytest.mark.parametrize(("hz", "share"), [(50, 0.0), (1000, 0.5), (16_000, 1.0)])
def test_the_shelf_has_half_its_gain_at_the_corner(hz: float, share: float) -> None:
    shelved = shaping.high_shelf(sine(hz), RATE_HZ, 1000.0, 8.0)
    gain_db = shaping.rms_db(shelved[4800:]) - shaping.rms_db(sine(hz)[4800:])
    assert gain_db == pytest.approx(8 * share, abs=0.15)


def test_coloured_noise_falls_by_3_db_an_octave() -> None:
    noise = shaping.coloured_noise(2**18, RATE_HZ, np.random.default_rng(1))
    power = np.abs(np.fft.rfft(noise)) ** 2
    hz = np.fft.rfftfreq(len(noise), 1 / RATE_HZ)
    low, high = (10 * np.log10(power[(hz > f) & (hz < 1.4 * f)].mean()) for f in (200, 3200))
    assert low - high == pytest.approx(12, abs=0.5)  # four octaves
    assert shaping.rms_db(noise) == pytest.approx(0, abs=1e-6)


def test_the_centre_of_two_equal_sines_lies_between_them() -> None:
    assert shaping.centroid_hz(sine(400) + sine(1200), RATE_HZ) == pytest.approx(800, abs=1)
