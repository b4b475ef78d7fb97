"""Noise rating against the published curves, a published example, and the standard's rule for the number."""

import numpy as np
import pytest

from triage.domain.errors import JudgeError
from triage.judge.noise_rating import A_DB, B_DB, BANDS_HZ, noise_rating, nr_curve_db


@pytest.mark.parametrize(
    "nr, levels_db",
    [
        # computed from the formula of ISO/R 1996 and BS 8233 by another hand, to 0.1 dB
        (10, [62.2, 43.4, 30.7, 21.3, 14.5, 10.0, 6.6, 4.2, 2.3]),
        (15, [65.6, 47.4, 35.0, 26.0, 19.4, 15.0, 11.7, 9.3, 7.5]),
        (20, [69.0, 51.3, 39.4, 30.6, 24.3, 20.0, 16.8, 14.4, 12.6]),
    ],
)
def test_the_curves_are_those_of_the_formula_to_a_tenth(nr, levels_db):
    assert nr_curve_db(nr) == pytest.approx(levels_db, abs=0.0501)


@pytest.mark.parametrize(
    "nr, levels_db",
    [
        # the table in whole dB that textbooks print (from memory)
        (0, [55, 36, 22, 12, 5, 0, -4, -6, -8]),
        (30, [76, 59, 48, 40, 34, 30, 27, 25, 23]),
        (40, [83, 67, 57, 49, 44, 40, 37, 35, 33]),
        (60, [96, 83, 74, 68, 63, 60, 57, 55, 54]),
    ],
)
def test_the_curves_are_those_of_the_printed_table(nr, levels_db):
    assert nr_curve_db(nr) == pytest.approx(levels_db, abs=0.51)


def test_the_coefficients_stand_at_their_own_bands():
    # One public copy shifts them by a band: 55.4 belongs to 31.5 Hz and the curve passes its number at 1 kHz.
    assert (BANDS_HZ[0], A_DB[0], B_DB[0]) == (31.5, 55.4, 0.681)
    assert nr_curve_db(37.0)[BANDS_HZ.index(1000.0)] == 37.0


def test_the_highest_band_sets_the_number_and_is_named():
    # The worked example of a maker of sound level meters: bands on curves 64, 63 ... 48 make NR 65 at 500 Hz.
    each = np.array([64, 63, 54, 63, 65, 60, 59, 64, 48])
    found = noise_rating(A_DB + B_DB * each)
    assert (found.curve, found.band_hz) == (65, 500.0)
    assert found.nr == pytest.approx(65.0)


def test_the_curve_is_the_next_whole_one_that_no_band_passes():
    levels = nr_curve_db(10.0)
    assert noise_rating(levels).curve == 10
    levels[1] += 0.1
    assert (noise_rating(levels).curve, noise_rating(levels).band_hz) == (11, 63.0)


def test_bands_that_are_not_known_take_no_part():
    levels = nr_curve_db(12.0)
    levels[0] = np.nan
    assert noise_rating(levels).nr == pytest.approx(12.0)


@pytest.mark.parametrize("levels_db", [np.full(9, np.nan), np.zeros(8), np.zeros((9, 1))])
def test_other_than_nine_bands_with_a_known_one_is_refused(levels_db):
    with pytest.raises(JudgeError, match="octaves"):
        noise_rating(levels_db)
