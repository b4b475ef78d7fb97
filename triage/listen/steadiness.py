"""Steadiness: how a held note's level and pitch wobble, drift and scatter.

In: a segment of envelope in dB or of pitch in Hz (NaN where unvoiced), 1-D, one value every ``hop_s`` seconds, cut to
the held part of a note. Out: depth with rate, slope, spread; NaN where the segment is too short. A slow trend (a
swell, a plucked string's decay, a sagging pitch) is removed first and is not wobble.
"""

import math

import numpy as np
from numpy.polynomial.chebyshev import chebvander
from numpy.typing import ArrayLike
from scipy.fft import rfft, rfftfreq

from triage.domain.errors import AudioError
from triage.listen.envelope import Array, one_channel, theil_sen

BAND_HZ = (2.0, 12.0)  # wobble is slower than roughness and faster than a swell
SHORTEST_S = 0.5  # two turns at 4 Hz: less cannot be told apart from a trend
TREND_HZ = 1.0  # what turns slower than this is trend
CLEAR = 0.4  # share of the band's power near one rate from which there is a rate at all
VOICED_SHARE = 0.7
PADDED = 8  # the spectrum is read eight times finer than the segment gives it


def amplitude_modulation(envelope_db: ArrayLike, hop_s: float) -> tuple[float, float]:
    """Return depth and rate of the level's wobble.

    depth_db = 2 sqrt(2) rms of the level within 2 to 12 Hz, trend removed: peak to peak of the sine of that power

    Parameters
    ----------
    envelope_db : array_like, shape (n,)
        Without the ripple of single periods (``rms_envelope_db`` with the note's pitch).
    hop_s : float

    Returns
    -------
    (float, float)
        Depth in dB, peak to peak; rate in Hz, NaN where no rate stands out. Both NaN below 0.5 s.

    Raises
    ------
    AudioError
        If the envelope is not 1-D and finite.
    """
    rms, rate_hz = _wobble(one_channel(envelope_db, "envelope_db"), hop_s)
    return 2 * math.sqrt(2) * rms, rate_hz


def vibrato(f0_hz: ArrayLike, hop_s: float) -> tuple[float, float]:
    """Return extent and rate of the vibrato.

    extent = sqrt(2) rms of the pitch in cents within 2 to 12 Hz, trend removed: half of peak to peak ("+-")

    Parameters
    ----------
    f0_hz : array_like, shape (n,)
        NaN where unvoiced: such places are bridged in a straight line.
    hop_s : float

    Returns
    -------
    (float, float)
        Extent in cents; rate in Hz, NaN where no rate stands out. Both NaN below 0.5 s or 70 % voiced.

    Raises
    ------
    AudioError
        If it is not 1-D, or a pitch is not above 0.
    """
    cents = _cents(f0_hz)
    voiced = np.flatnonzero(np.isfinite(cents))
    if not voiced.size or voiced.size < VOICED_SHARE * cents.size:
        return np.nan, np.nan
    span = np.arange(voiced[0], voiced[-1] + 1)
    rms, rate_hz = _wobble(np.interp(span, voiced, cents[voiced]), hop_s)
    return math.sqrt(2) * rms, rate_hz


def drift_cents_s(f0_hz: ArrayLike, hop_s: float) -> float:
    """Return the pitch's slope in cents per second (Theil-Sen): below 0 where it sags. NaN below 3 voiced frames."""
    cents = _cents(f0_hz)
    return theil_sen(np.arange(cents.size) * hop_s, cents)


def end_cents(f0_hz: ArrayLike) -> float:
    """Return how far the pitch of the last fifth lies from that of the middle, in cents: below 0 where it sags late.

    median of the last fifth - median of the middle (a quarter to 0.6 of the segment). NaN where either has fewer than
    3 voiced frames.
    """
    cents = _cents(f0_hz)
    parts = (cents[round(0.8 * cents.size) :], cents[round(0.25 * cents.size) : round(0.6 * cents.size)])
    last, middle = (part[np.isfinite(part)] for part in parts)
    return float(np.median(last) - np.median(middle)) if min(last.size, middle.size) >= 3 else np.nan


def spread_cents(f0_hz: ArrayLike) -> float:
    """Return the pitch's spread in cents: 1.4826 times the median distance from its median.

    1.4826 makes it the standard deviation of normal values. NaN below 3 voiced frames.
    """
    cents = _cents(f0_hz)
    cents = cents[np.isfinite(cents)]
    return float(1.4826 * np.median(np.abs(cents - np.median(cents)))) if cents.size >= 3 else np.nan


def _cents(f0_hz: ArrayLike) -> Array:
    """Return pitches as cents above 1 Hz, NaN kept."""
    f0 = np.asarray(f0_hz, dtype=np.float64)
    if f0.ndim != 1 or not (np.isnan(f0) | (f0 > 0) & np.isfinite(f0)).all():
        raise AudioError(f"f0_hz of shape {f0.shape} must be 1-D and above 0, or NaN where unvoiced (cents given?)")
    return 1200 * np.log2(f0)


def _wobble(values: Array, hop_s: float) -> tuple[float, float]:
    """Return the RMS within ``BAND_HZ`` of the values less their trend, and the rate where one stands out."""
    if values.size * hop_s < SHORTEST_S - 1e-9 or values.size < 8:
        return np.nan, np.nan
    rest = values - _trend(values, hop_s)
    window = np.hanning(values.size + 2)[1:-1]
    power = np.abs(rfft(rest * window, PADDED * values.size)) ** 2
    rate = rfftfreq(PADDED * values.size, hop_s)
    # One-sided power; the window and the padding are taken out again, so that a sine gives its own RMS.
    power *= 2 / (PADDED * values.size * (window**2).sum())
    inside = (rate >= BAND_HZ[0]) & (rate <= BAND_HZ[1])
    total = power[inside].sum()
    if not total > 1e-18:
        return 0.0, np.nan
    top = int(np.argmax(np.where(inside, power, 0.0)))
    near = inside & (np.abs(rate - rate[top]) <= 2 / (values.size * hop_s))
    clear = power[near].sum() > CLEAR * total and rate[top] > BAND_HZ[0] and values.size * hop_s * rate[top] >= 2.5
    return float(np.sqrt(total)), float(rate[top] + _shift(power, top) * rate[1]) if clear else np.nan


def _trend(values: Array, hop_s: float) -> Array:
    """Return the slow trend: a polynomial that can turn once a second, fitted in three rounds robust to outliers."""
    degree = int(np.clip(np.ceil(2 * TREND_HZ * values.size * hop_s), 2, 12))
    basis = chebvander(np.linspace(-1, 1, values.size), degree)
    weight = np.ones(values.size)
    for _ in range(3):
        fit = basis @ np.linalg.lstsq(basis * weight[:, None], values * weight, rcond=None)[0]
        off = np.abs(values - fit)
        weight = np.sqrt(np.minimum(1.0, 2.5 * np.median(off) / np.maximum(off, 1e-12)))  # Huber's weights
    return fit


def _shift(power: Array, top: int) -> float:
    """Return how far, in bins, a parabola through the peak and its neighbours puts the maximum."""
    if not 0 < top < power.size - 1:
        return 0.0
    a, b, c = power[top - 1 : top + 2]
    return float((a - c) / 2 / (a - 2 * b + c)) if a - 2 * b + c < 0 else 0.0
