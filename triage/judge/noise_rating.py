"""Noise rating: one number for a room's background, from its octave bands.

Sound pressure levels of octave bands in dB re 20 uPa go in, the NR number and the band that sets it come out.
A recording has no sound pressure level by itself: only a calibrated microphone's levels belong here.
"""

from dataclasses import dataclass

import numpy as np

from triage.domain.errors import JudgeError

BANDS_HZ = (31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)  # nominal centres
# L = a + b NR: ISO/R 1996:1971, BS 8233:1999 annex B, AS 1469.
A_DB = np.array([55.4, 35.5, 22.0, 12.0, 4.8, 0.0, -3.5, -6.1, -8.0])
B_DB = np.array([0.681, 0.790, 0.870, 0.930, 0.974, 1.000, 1.015, 1.025, 1.030])
AIMED_NR, MOST_NR = 10, 15  # of a listening room: EBU Tech 3276, ITU-R BS.1116


@dataclass(frozen=True)
class NoiseRating:
    """The NR number, not rounded, and the nominal centre of the band that reaches furthest up the curves."""

    nr: float
    band_hz: float

    @property
    def curve(self) -> int:
        """The lowest curve of a whole number that no band passes."""
        return int(np.ceil(round(self.nr, 6)))


def nr_curve_db(nr: float) -> np.ndarray:
    """Return a noise-rating curve, in dB re 20 uPa.

    L = a + b NR

    Parameters
    ----------
    nr : float
        The number of the curve, which is its level at 1 kHz.

    Returns
    -------
    ndarray, shape (9,)
        Level of each of BANDS_HZ.

    References
    ----------
    ISO/R 1996:1971; BS 8233:1999, annex B.
    """
    return np.asarray(A_DB + B_DB * nr)


def noise_rating(levels_db: np.ndarray) -> NoiseRating:
    """Return the noise rating of a background: the curve that its highest band touches.

    NR = max over bands of (L - a) / b

    Parameters
    ----------
    levels_db : ndarray, shape (9,)
        Sound pressure level of each of BANDS_HZ in dB re 20 uPa; NaN where a band is not known.

    Returns
    -------
    NoiseRating

    Raises
    ------
    JudgeError
        If there are not nine bands, or none is known.

    References
    ----------
    ISO/R 1996:1971; BS 8233:1999, annex B.
    """
    levels = np.asarray(levels_db, dtype=float)
    if levels.shape != (len(BANDS_HZ),) or np.isnan(levels).all():
        raise JudgeError(f"levels have shape {levels.shape}; expected {len(BANDS_HZ)} octaves, one or more known")
    each = (levels - A_DB) / B_DB
    highest = int(np.nanargmax(each))
    return NoiseRating(float(each[highest]), BANDS_HZ[highest])
