"""Pitch: one channel in, the fundamental out, in Hz; NaN where there is none.

``track`` follows the pitch every ``hop_s`` (candidates from the autocorrelation, the best path through them), first
with windows long enough for 25 Hz, then with windows that fit the note, so that high notes keep their timing.
``note_f0`` gives one steady note's pitch to a fraction of a cent, from the phases of its partials.

P. Boersma, "Accurate short-term analysis of the fundamental frequency ...", IFA Proceedings 17, 1993.
"""

from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import ArrayLike, NDArray
from scipy.signal import firwin, resample_poly

from triage.domain.errors import AudioError
from triage.listen.envelope import Array, one_channel
from triage.listen.periodicity import CANDIDATES, best_path, candidates

SLOW_HZ, FAST_HZ = 12_000, 24_000  # rates that the autocorrelation runs at: low notes, high notes
DEVIATION_COST = 0.15  # per octave away from the long window's path
WINDOWS = ((0.12, 75.0), (0.06, 150.0), (0.03, 225.0), (0.02, np.inf))  # seconds; below this pitch in Hz
PARTIALS = 8


class PitchTrack(NamedTuple):
    """Each frame's time in s, f0 in Hz (NaN unvoiced), strength (0 to 1) and RMS level; all of shape (n_frames,)."""

    time_s: Array
    f0_hz: Array
    strength: Array
    level_dbfs: Array


def track(
    waveform: ArrayLike, rate_hz: float, fmin_hz: float = 25.0, fmax_hz: float = 4200.0, hop_s: float = 0.01
) -> PitchTrack:
    """Return the pitch every ``hop_s`` seconds.

    r(lag) = acf of the windowed frame / acf of the window, both 1 at lag 0. Path: Viterbi over the highest peaks of r
    less a cost an octave, with costs for jumps and for changes of voicing.

    Parameters
    ----------
    waveform : array_like, shape (n_samples,)
    rate_hz : float
        At least 8000.
    fmin_hz, fmax_hz, hop_s : float
        Windows span 3 periods of ``fmin_hz`` at first, then 4.5 periods of the note or 20 ms.

    Returns
    -------
    PitchTrack
        Frames are centred at 0, hop, 2 hop, ... seconds.

    Raises
    ------
    AudioError
        If the waveform is not 1-D and finite, or the rate is below 8000 Hz.
    """
    x = one_channel(waveform)
    if rate_hz < 8000:
        raise AudioError(f"sample rate {rate_hz:g} Hz is below 8000 Hz: not a music recording")
    time_s = np.arange(int(x.size / rate_hz / hop_s) + 1) * hop_s
    fast, slow = _decimate(x, rate_hz, FAST_HZ), _decimate(x, rate_hz, SLOW_HZ)
    # Every other frame is enough for the first pass: its window spans many hops.
    first = candidates(*slow, time_s[::2], 3 / fmin_hz, (fmin_hz, fmax_hz), 2)
    rough = best_path(*first, 2 * hop_s)[0]
    voiced = np.flatnonzero(np.isfinite(rough))
    if not voiced.size:
        unknown = np.full(time_s.size, np.nan)
        return PitchTrack(time_s, unknown, np.zeros(time_s.size), unknown)
    guess = rough[voiced[_nearest(voiced, np.arange(time_s.size) / 2)]]
    f0, strength = np.ones((time_s.size, CANDIDATES)), np.zeros((time_s.size, CANDIDATES))
    level, lowest = np.zeros(time_s.size), 0.0
    for window_s, highest in WINDOWS:
        rows = np.flatnonzero((guess >= lowest) & (guess < highest))
        band = (max(fmin_hz, 3 / window_s), fmax_hz)
        sound, finer = (slow, 1) if window_s > 0.05 else (fast, 2)
        f0[rows], strength[rows], level[rows] = candidates(*sound, time_s[rows], window_s, band, finer)
        lowest = highest
    deviation = np.abs(np.log2(f0 / guess[:, None]))
    f0_hz, height = best_path(f0, strength - DEVIATION_COST * deviation, level, hop_s)
    return PitchTrack(time_s, f0_hz, height, 20 * np.log10(np.maximum(level, 1e-10)))


def typical_hz(pitch: PitchTrack, start_s: float = 0.0, end_s: float = np.inf) -> float:
    """Return the pitch that most of the sound between two times has, in Hz; NaN where nothing is voiced.

    Weighted median of f0 within 70 cents of the pitch with most weight; weight = strength^4 amplitude. Not a plain
    median: sympathetic strings outlast a plucked note, often an octave or more away.
    """
    kept = (pitch.time_s >= start_s) & (pitch.time_s <= end_s) & np.isfinite(pitch.f0_hz)
    if not kept.any():
        return np.nan
    order = np.argsort(pitch.f0_hz[kept])
    cents = 1200 * np.log2(pitch.f0_hz[kept][order])
    weight = (pitch.strength[kept] ** 4 * 10 ** (pitch.level_dbfs[kept] / 20))[order] + 1e-15
    total = np.concatenate([[0.0], np.cumsum(weight)])
    first, last = np.searchsorted(cents, cents - 70), np.searchsorted(cents, cents + 70)
    best = np.argmax(total[last] - total[first])
    middle = np.searchsorted(total, (total[first[best]] + total[last[best]]) / 2)
    return float(2 ** (cents[min(middle, cents.size) - 1] / 1200))


def note_f0(waveform: ArrayLike, rate_hz: float, guess_hz: float | None = None) -> float:
    """Return the pitch of one note's steady part, in Hz: with vibrato the mean of its contour.

    Each partial k is measured through a Hann window of 6 periods every period; the advance of its phase from one
    window to the next gives its frequency. f = weighted mean over k of frequency_k / k, with weights power_k k^2
    (those of least variance in white noise), partials beyond 30 cents of the others left out; then the mean over
    time.

    Parameters
    ----------
    waveform : array_like, shape (n_samples,)
    rate_hz : float
    guess_hz : float, optional
        Within half a semitone; ``typical_hz`` of the sound's ``track`` where it is None.

    Returns
    -------
    float
        NaN where there is no pitch.

    Raises
    ------
    AudioError
        If the waveform is not 1-D and finite.
    """
    x = one_channel(waveform)
    if guess_hz is None:
        guess_hz = typical_hz(track(x, rate_hz))
    f0_hz = guess_hz
    for _ in range(3):  # with the right pitch the other partials fall on the window's zeros
        f0_hz = _refined(x, rate_hz, f0_hz)
    # An estimate far off means that the phases were not those of a note at this pitch: the first one is safer.
    return f0_hz if abs(np.log2(f0_hz / guess_hz)) < 1 / 12 else guess_hz


def unvoiced_share(pitch: PitchTrack, from_s: float, to_s: float) -> float:
    """Return the share of frames without a pitch between two times, 0 to 1; NaN where there are no frames."""
    inside = pitch.f0_hz[(pitch.time_s >= from_s) & (pitch.time_s < to_s)]
    return float(np.isnan(inside).mean()) if inside.size else np.nan


def _decimate(x: Array, rate_hz: float, target_hz: float) -> tuple[Array, float]:
    """Return the sound near ``target_hz`` (a whole division of its rate) and that rate."""
    factor = max(1, round(rate_hz / target_hz))
    if factor == 1 or not x.size:
        return x, rate_hz / factor
    return resample_poly(x, 1, factor, window=_below_nyquist(factor)), rate_hz / factor


@lru_cache(maxsize=8)
def _below_nyquist(factor: int) -> Array:
    """Return a low-pass that cuts off below the new Nyquist frequency.

    A partial folded back there would pull short periods off by cents.
    """
    return np.asarray(firwin(20 * factor + 1, 0.85 / factor))


def _nearest(places: NDArray[np.intp], wanted: Array) -> NDArray[np.intp]:
    """Return the index of the nearest of the increasing ``places`` to each of ``wanted``."""
    return np.clip(np.searchsorted((places[1:] + places[:-1]) / 2, wanted), 0, places.size - 1)


def _refined(x: Array, rate_hz: float, f0_hz: float) -> float:
    """Return the pitch from the phase advance of the partials of ``f0_hz``; as it is where the sound is too short."""
    n = int(min(6 * rate_hz / f0_hz, 0.7 * x.size)) if f0_hz > 0 else 0
    if n < 2 or n < 2 * rate_hz / f0_hz:
        return f0_hz
    hop = max(min(round(rate_hz / f0_hz), x.size - n), 1)
    k = np.arange(1, max(min(PARTIALS, int(0.45 * rate_hz / f0_hz)), 1) + 1)
    turn = 2j * np.pi * f0_hz / rate_hz * k
    basis = np.exp(-turn * np.arange(n)[:, None]) * np.hanning(n + 2)[1:-1, None]
    frames = np.ascontiguousarray(sliding_window_view(x, n)[::hop])
    z = (frames @ basis.view(np.float64)).view(np.complex128)  # (frame, partial); real products are twice as fast
    step = z[1:] * z[:-1].conj() * np.exp(-turn * hop)
    ratio = np.angle(step) * rate_hz / (2 * np.pi * hop * k * f0_hz)  # deviation from f0, relative
    weight = np.abs(step) * k**2
    total = weight.sum(axis=0)
    if not total.sum() > 0:
        return f0_hz
    each = (weight * ratio).sum(axis=0) / np.maximum(total, 1e-300)
    order = np.argsort(each)
    middle = each[order[np.searchsorted(np.cumsum(total[order]), total.sum() / 2)]]
    weight = weight * (np.abs(each - middle) < 0.0175)  # 30 cents
    frame = weight.sum(axis=1)
    contour = (weight * ratio).sum(axis=1) / np.maximum(frame, 1e-300)
    frame = np.minimum(frame, np.median(frame))  # a loud start does not outweigh the rest
    mean = np.average(np.log1p(np.clip(contour, -0.5, 1)), weights=frame) if frame.sum() > 0 else 0.0
    return float(f0_hz * np.exp(mean))  # the mean in cents: in Hz a wide vibrato would pull it up
