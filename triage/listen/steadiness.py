"""Steadiness: how a held note's level and pitch wobble, drift and scatter.

In: a segment of envelope in dB or of pitch in Hz (NaN where unvoiced), 1-D, one value every ``hop_s`` seconds, cut to
the held part of a note. Out: depth with rate and standard error, slope, spread; NaN where the segment is too short.
A slow trend (a swell, a plucked string's decay, a sagging pitch) is removed first and is not wobble.
"""

import math
from typing import NamedTuple

import numpy as np
from numpy.polynomial.chebyshev import chebvander
from numpy.typing import ArrayLike
from scipy.fft import rfft, rfftfreq

from triage.domain.errors import AudioError
from triage.listen.envelope import Array, one_channel, theil_sen

BAND_HZ = (2.0, 12.0)  # wobble is slower than roughness and faster than a swell
SHORTEST_S = 0.2  # one and a quarter turns at 6 Hz: less cannot be told apart from a trend
WHOLE_S = 0.5  # two turns at 4 Hz: from there on the spectrum shows what wobbles, below that one sine is fitted
LEAST_TURNS = 1.25  # of that sine: with fewer a curved trend does as well
SINE_STEP_HZ = 0.25
LIMIT_SIGMAS = 5.0  # of the segment about its trend: what jumps further is an error of the contour
TURN_SHARE = 0.15  # of the depth, over the turns seen: its error for want of turns (computed signals, see the tests)
TREND_HZ = 1.0  # what turns slower than this is trend
CLEAR = 0.4  # share of the band's power near one rate from which there is a rate at all
VOICED_SHARE = 0.7
PADDED = 8  # the spectrum is read eight times finer than the segment gives it


class Wobble(NamedTuple):
    """How far it wobbles (in the unit that the function names), how fast, and the depth's standard error."""

    depth: float
    rate_hz: float
    error: float


def amplitude_modulation(envelope_db: ArrayLike, hop_s: float) -> Wobble:
    """Return depth and rate of the level's wobble.

    depth_db = 2 sqrt(2) rms of the level within 2 to 12 Hz, trend removed: peak to peak of the sine of that power

    Below 0.5 s it is that of the one sine of 1.25 turns or more, up to 12 Hz, that fits best beside a quadratic
    trend: a slower wobble reads too small (one turn at 4 Hz two thirds of itself), and the error is wider.

    Parameters
    ----------
    envelope_db : array_like, shape (n,)
        Without the ripple of single periods (``rms_envelope_db`` with the note's pitch).
    hop_s : float

    Returns
    -------
    Wobble
        Depth in dB, peak to peak; rate in Hz, NaN where no rate stands out and below 0.5 s. All NaN below 0.2 s.

    Raises
    ------
    AudioError
        If the envelope is not 1-D and finite.
    """
    rms, rate_hz, error = _wobble(one_channel(envelope_db, "envelope_db"), hop_s)
    return Wobble(2 * math.sqrt(2) * rms, rate_hz, 2 * math.sqrt(2) * error)


def vibrato(f0_hz: ArrayLike, hop_s: float) -> Wobble:
    """Return extent and rate of the vibrato.

    extent = sqrt(2) rms of the pitch in cents within 2 to 12 Hz, trend removed: half of peak to peak ("+-"); below
    0.5 s that of the sine that fits best, as in ``amplitude_modulation``.

    Parameters
    ----------
    f0_hz : array_like, shape (n,)
        NaN where unvoiced: such places are bridged in a straight line.
    hop_s : float

    Returns
    -------
    Wobble
        Extent in cents; rate in Hz, NaN where no rate stands out and below 0.5 s. All NaN below 0.2 s or 70 % voiced.

    Raises
    ------
    AudioError
        If it is not 1-D, or a pitch is not above 0.
    """
    cents = _cents(f0_hz)
    voiced = np.flatnonzero(np.isfinite(cents))
    if not voiced.size or voiced.size < VOICED_SHARE * cents.size:
        return Wobble(np.nan, np.nan, np.nan)
    span = np.arange(voiced[0], voiced[-1] + 1)
    rms, rate_hz, error = _wobble(np.interp(span, voiced, cents[voiced]), hop_s)
    return Wobble(math.sqrt(2) * rms, rate_hz, math.sqrt(2) * error)


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


def effective_n(values: Array) -> float:
    """Return how many independent values say as much of a mean as these, which follow one another, do.

    n (1 - r) / (1 + r), r the correlation of neighbours, from 0 to 0.99; at least 1 (Bartlett, JRSS Suppl. 8, 1946).
    """
    off = values - values.mean()
    square = (off**2).sum()
    r = float(np.clip((off[1:] * off[:-1]).sum() / square, 0.0, 0.99)) if square > 0 else 0.0
    return max(values.size * (1 - r) / (1 + r), 1.0)


def _wobble(values: Array, hop_s: float) -> tuple[float, float, float]:
    """Return the RMS within ``BAND_HZ``, the rate where one stands out, and the standard error of the RMS."""
    length_s = values.size * hop_s
    if length_s < SHORTEST_S - 1e-9 or values.size < 8:
        return np.nan, np.nan, np.nan
    if length_s < WHOLE_S - 1e-9:
        return _sine(values, hop_s)
    power, rate = _power(values - _trend(values, hop_s), hop_s)
    inside = (rate >= BAND_HZ[0]) & (rate <= BAND_HZ[1])
    total = power[inside].sum()
    if not total > 1e-18:
        return 0.0, np.nan, 0.0
    top = int(np.argmax(np.where(inside, power, 0.0)))
    near = inside & (np.abs(rate - rate[top]) <= 2 / length_s)
    clear = power[near].sum() > CLEAR * total and rate[top] > BAND_HZ[0] and length_s * rate[top] >= 2.5
    # The octave above holds what scatters and is no wobble; one of the band's 2 T B places is the wobble's own.
    scatter = power[(rate > BAND_HZ[1]) & (rate <= 2 * BAND_HZ[1])].sum() / BAND_HZ[1] / (2 * length_s)
    error = math.hypot(math.sqrt(scatter), TURN_SHARE * math.sqrt(total) / (length_s * rate[top]))
    return float(np.sqrt(total)), float(rate[top] + _shift(power, top) * rate[1]) if clear else np.nan, error


def _power(rest: Array, hop_s: float) -> tuple[Array, Array]:
    """Return one-sided power, window and padding taken out (a sine gives its own mean square), and its rates."""
    window = np.hanning(rest.size + 2)[1:-1]
    power = np.abs(rfft(rest * window, PADDED * rest.size)) ** 2
    return power * (2 / (PADDED * rest.size * (window**2).sum())), rfftfreq(PADDED * rest.size, hop_s)


def _sine(values: Array, hop_s: float) -> tuple[float, float, float]:
    """Return RMS (no rate) and the RMS's error of the sine that, with a quadratic, fits a short segment best.

    Least squares at each rate, sine and trend together; error from what is left over, by the number of independent
    values in it, and for want of turns.
    """
    length_s = values.size * hop_s
    rest = values - _trend(values, hop_s)
    limit = LIMIT_SIGMAS * 1.4826 * np.median(np.abs(rest))
    trend = np.linalg.qr(chebvander(np.linspace(-1, 1, values.size), 2))[0]
    rest = np.clip(rest, -limit, limit)
    rest -= trend @ (trend.T @ rest)
    rates = np.arange(LEAST_TURNS / length_s, BAND_HZ[1], SINE_STEP_HZ)
    turn = 2 * np.pi * np.outer(rates, np.arange(values.size) * hop_s)
    waves = np.stack([np.cos(turn), np.sin(turn)], axis=1)  # (rate, 2, value)
    waves -= (waves @ trend) @ trend.T
    gram, found = waves @ waves.transpose(0, 2, 1), waves @ rest
    parts = np.linalg.solve(gram, found[:, :, None])[:, :, 0]
    best = int(np.argmax((parts * found).sum(axis=1)))
    rms = math.sqrt((parts[best] ** 2).sum() / 2)
    left = rest - parts[best] @ waves[best]
    variance = left.var() * np.linalg.inv(gram[best]).trace() / 2 * values.size / effective_n(left)
    return rms, np.nan, math.hypot(math.sqrt(variance / 2), TURN_SHARE * rms / (length_s * rates[best]))


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
