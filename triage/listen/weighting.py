"""Frequency weighting: what a sound level meter adds to each frequency before it sums.

Frequencies in Hz go in, decibels come out, 0 dB at 1 kHz. IEC 61672-1:2013, annex E.
"""

import numpy as np
from numpy.typing import ArrayLike

from triage.domain.errors import AudioError

POLES_HZ = (20.60, 107.7, 737.9, 12_194.0)
A_AT_1KHZ_DB = 2.000  # makes it 0 dB there


def a_weighting_db(hz: ArrayLike) -> np.ndarray:
    """Return the A weighting, in dB.

    A(f) = 20 log10( f4^2 f^4 / ((f^2 + f1^2) sqrt((f^2 + f2^2)(f^2 + f3^2)) (f^2 + f4^2)) ) + 2.000

    Parameters
    ----------
    hz : array_like, any shape
        Frequencies, finite and >= 0.

    Returns
    -------
    ndarray, same shape
        -inf at 0 Hz.

    Raises
    ------
    AudioError
        If a frequency is negative or not finite.

    References
    ----------
    IEC 61672-1:2013, annex E: f1 to f4 = 20.60, 107.7, 737.9, 12194 Hz. The standard's table 3 is this formula at
    the exact frequencies 1000 * 10^(k / 10), not at the nominal ones.
    """
    square = _squared(hz)
    f1, f2, f3, f4 = (pole**2 for pole in POLES_HZ)
    with np.errstate(divide="ignore"):
        gain = f4 * square**2 / ((square + f1) * np.sqrt((square + f2) * (square + f3)) * (square + f4))
        return np.asarray(20 * np.log10(gain) + A_AT_1KHZ_DB)


def _squared(hz: ArrayLike) -> np.ndarray:
    values = np.asarray(hz, dtype=np.float64)
    if not (np.isfinite(values) & (values >= 0)).all():
        raise AudioError(f"frequencies must be finite and >= 0 Hz, lowest is {values.min():g}")
    return values**2
