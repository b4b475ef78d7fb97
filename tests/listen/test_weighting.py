"""Frequency weighting against the table of the standard."""

import numpy as np
import pytest

from triage.domain.errors import AudioError
from triage.listen.weighting import a_weighting_db

# IEC 61672-1:2013, table 3: nominal frequencies 10 Hz to 20 kHz in third octaves, exact ones are 1000 * 10^(k / 10)
A_DB = [
    -70.4,
    -63.4,
    -56.7,
    -50.5,
    -44.7,
    -39.4,
    -34.6,
    -30.2,
    -26.2,
    -22.5,
    -19.1,
    -16.1,
    -13.4,
    -10.9,
    -8.6,
    -6.6,
    -4.8,
    -3.2,
    -1.9,
    -0.8,
    0.0,
    0.6,
    1.0,
    1.2,
    1.3,
    1.2,
    1.0,
    0.5,
    -0.1,
    -1.1,
    -2.5,
    -4.3,
    -6.6,
    -9.3,
]
EXACT_HZ = 1000 * 10 ** (np.arange(-20, 14) / 10)


def test_the_weighting_is_that_of_the_standards_table():
    assert a_weighting_db(EXACT_HZ) == pytest.approx(np.array(A_DB), abs=0.051)  # the table rounds to 0.1 dB


def test_1_khz_reads_0_db_and_0_hz_nothing():
    assert a_weighting_db(1000.0) == pytest.approx(0.0, abs=0.001)
    assert a_weighting_db(0.0) == -np.inf


def test_the_shape_is_kept():
    assert a_weighting_db(np.ones((2, 3))).shape == (2, 3)


@pytest.mark.parametrize("hz", [[-1.0], [np.nan], [1000.0, np.inf]])
def test_what_is_no_frequency_is_refused(hz):
    with pytest.raises(AudioError, match=">= 0 Hz"):
        a_weighting_db(hz)
