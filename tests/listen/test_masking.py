"""Masking: the published scales and spreading, and what covers what."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from triage.listen.masking import audible_db, bark, covered_db, exposure, over_decay, spreading_db

BANDS_HZ = np.array([100.0, 200.0, 400.0, 700.0, 1000.0, 1500.0, 2200.0, 3500.0, 6000.0, 10_000.0])
QUIET = np.full(len(BANDS_HZ), -90.0)


def levels(**at):
    """Levels of one frame: -120 dB but for the named bands."""
    row = np.full(len(BANDS_HZ), -120.0)
    for name, level in at.items():
        row[int(name[1:])] = level
    return row[:, None]


# Zwicker, Subdivision of the audible frequency range, JASA 33, 1961: edges of the critical bands, in Bark
@pytest.mark.parametrize(
    "hz, z", [(100, 1), (200, 2), (510, 5), (1080, 9), (2000, 13), (3700, 17), (6400, 20), (12_000, 23)]
)
def test_the_bark_scale_is_that_of_the_critical_bands(hz, z):
    assert bark(np.array(float(hz))) == pytest.approx(z, abs=0.25)


def test_the_spreading_is_0_db_at_its_place_and_falls_by_its_slopes():
    # Schroeder, Atal and Hall 1979: +25 dB a Bark below, -10 dB a Bark above, far from the masker
    assert spreading_db(np.array(0.0)) == pytest.approx(0.0, abs=0.01)
    assert spreading_db(np.array(9.0)) - spreading_db(np.array(8.0)) == pytest.approx(-10.0, abs=0.15)
    assert spreading_db(np.array(-8.0)) - spreading_db(np.array(-9.0)) == pytest.approx(25.0, abs=0.15)


def test_music_covers_more_above_itself_than_below():
    covered = covered_db(levels(b4=-20.0), BANDS_HZ)[:, 0]
    assert covered[4] == pytest.approx(-20.0, abs=0.1)
    assert covered[6] > covered[2]


def test_in_a_gap_a_noise_stands_over_the_floor():
    (x,) = audible_db(levels(b5=-60.0), levels(), QUIET, BANDS_HZ)
    assert x == pytest.approx(30.0, abs=2.0)
    assert exposure(x) > 0.95


def test_30_db_under_the_music_in_its_own_bands_nothing_is_heard():
    music = np.full((len(BANDS_HZ), 1), -20.0)
    (x,) = audible_db(music - 30.0, music, QUIET, BANDS_HZ)
    assert x == 0.0 and exposure(x) == 0.0


def test_a_noise_beside_the_music_is_heard_where_the_music_is_not():
    (beside,) = audible_db(levels(b8=-60.0), levels(b0=-20.0), QUIET, BANDS_HZ)
    (within,) = audible_db(levels(b0=-60.0), levels(b0=-20.0), QUIET, BANDS_HZ)
    assert beside > 20.0 and within == 0.0


@given(st.floats(-80, 0), st.floats(0, 40))
def test_louder_music_never_uncovers_a_noise(music_dbfs, more_db):
    noise = levels(b3=-50.0, b5=-55.0)
    (soft,) = audible_db(noise, levels(b4=music_dbfs), QUIET, BANDS_HZ)
    (loud,) = audible_db(noise, levels(b4=music_dbfs + more_db), QUIET, BANDS_HZ)
    assert loud <= soft + 1e-9


@given(st.floats(-20, 80), st.floats(-20, 80))
def test_exposure_never_falls_as_the_excess_grows(low, high):
    low, high = sorted((low, high))
    assert 0 <= exposure(low) <= exposure(high) <= 1


@given(st.floats(3.0, 80.0))
def test_over_decay_is_the_inverse_of_exposure(excess_db):
    assert over_decay(exposure(excess_db)) == pytest.approx(excess_db, abs=1e-3)


def test_masked_and_fully_exposed_are_the_ends_of_the_scale():
    assert exposure(0.0) == 0.0
    assert exposure(40.0) > 0.99
    assert np.isfinite(over_decay(1.0))
