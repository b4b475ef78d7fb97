"""Butterworth sections against scipy's design of the same filters."""

import numpy as np
import pytest
from scipy import signal

from triage.listen.filters import band_pass, high_pass


@pytest.mark.parametrize("order, edge_hz, rate_hz", [(2, 11.0, 44_100), (4, 20.0, 192_000), (4, 2000.0, 48_000)])
def test_a_high_pass_is_scipys(order, edge_hz, rate_hz):
    hz = np.geomspace(5.0, 0.49 * rate_hz, 400)
    theirs = signal.butter(order, edge_hz, "high", fs=rate_hz, output="sos")
    ours = signal.freqz_sos(high_pass(order, edge_hz, rate_hz), hz, fs=rate_hz)[1]
    assert ours == pytest.approx(signal.freqz_sos(theirs, hz, fs=rate_hz)[1], abs=1e-9)


@pytest.mark.parametrize("order, low_hz, high_hz, rate_hz", [(2, 40.0, 19_000.0, 48_000), (6, 25.0, 300.0, 96_000)])
def test_a_band_pass_filters_like_scipys(order, low_hz, high_hz, rate_hz):
    noise = np.random.default_rng(0).standard_normal(20_000)
    theirs = signal.sosfilt(signal.butter(order, (low_hz, high_hz), "bandpass", fs=rate_hz, output="sos"), noise)
    assert signal.sosfilt(band_pass(order, low_hz, high_hz, rate_hz), noise) == pytest.approx(theirs, abs=1e-9)
