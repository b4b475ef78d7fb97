"""Periods: the candidates from the autocorrelation of each frame, and the best path through them.

``candidates`` takes one channel and frame times; it gives, for each frame, pitches in Hz and their strengths, both of
shape (n_frames, CANDIDATES). ``best_path`` picks one, or none, for each frame. ``pitch.track`` runs both twice.

P. Boersma, "Accurate short-term analysis of the fundamental frequency ...", IFA Proceedings 17, 1993.
"""

from functools import lru_cache

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft

from triage.listen.envelope import Array

CANDIDATES = 6
VOICED = 0.45  # a frame is voiced where the normalised autocorrelation passes this
QUIET_DB = 60.0  # frames this far below the loudest are unvoiced
OCTAVE_COST = 0.02  # per octave, for longer periods: two periods fit as well as one
JUMP_COST, VOICING_COST = 0.35, 0.14  # per octave and per change, for a hop of 10 ms (Boersma 1993)
TAPS, STEPS = 8, 4  # sinc interpolation: neighbours on each side, steps a lag
BATCH = 256  # frames at a time: keeps the arrays inside the processor's cache

Single = NDArray[np.float32]
Places = NDArray[np.intp]


def candidates(
    x: Array, rate_hz: float, time_s: Array, window_s: float, band_hz: tuple[float, float], finer: int
) -> tuple[Array, Array, Array]:
    """Return f0 and strength of the best peaks of each frame (n, CANDIDATES), and the frames' RMS (n,)."""
    n = round(window_s * rate_hz)
    padded = np.pad(x, n // 2 + 1).astype(np.float32)
    frames = sliding_window_view(padded, n)
    starts = np.clip(np.round(time_s * rate_hz).astype(int) + 1, 0, len(frames) - 1)
    parts = [_peaks(frames[starts[i : i + BATCH]], rate_hz, band_hz, finer) for i in range(0, starts.size, BATCH)]
    if not parts:
        return np.ones((0, CANDIDATES)), np.zeros((0, CANDIDATES)), np.zeros(0)
    f0, strength, level = (np.concatenate(part) for part in zip(*parts, strict=True))
    return f0, strength, level


def _peaks(frames: Single, rate_hz: float, band_hz: tuple[float, float], finer: int) -> tuple[Array, Array, Array]:
    """Return the highest peaks of the normalised autocorrelation in ``band_hz``, ``finer`` lags a sample."""
    n = frames.shape[1]
    window = _window(n)
    size = next_fast_len(n + int(rate_hz / band_hz[0]) + TAPS, real=True)
    rate_hz *= finer
    shortest, longest = max(int(rate_hz / band_hz[1]), 2), int(rate_hz / band_hz[0]) + TAPS + 2
    frames = (frames - frames.mean(axis=1, keepdims=True)) * window
    spectrum = rfft(frames, size)
    acf = irfft(spectrum.real**2 + spectrum.imag**2, finer * size)[:, :longest]
    power = acf[:, :1]
    r = acf * _of_window(n, size, finer, longest) / np.maximum(power, 1e-20)
    before, inner, after = (r[:, shortest + i : longest - TAPS - 1 + i] for i in (-1, 0, 1))
    frame, place = np.nonzero((inner > before) & (inner >= after) & (inner > 0.2))
    a, b, c = before[frame, place], inner[frame, place], after[frame, place]
    # A short period's peak lies between lags: without its parabola the better sampled double period would win.
    height = np.minimum(b + (a - c) ** 2 / (8 * np.maximum(2 * b - a - c, 1e-9)), 1.0)
    merit, lags = _by_frame(frame, height - OCTAVE_COST * np.log2((place + shortest) / rate_hz), place, len(r))
    best = np.argpartition(merit, -CANDIDATES, axis=1)[:, -CANDIDATES:]
    lag, height = _interpolated(r, np.take_along_axis(lags, best, 1) + shortest)
    strength = np.where(np.isfinite(np.take_along_axis(merit, best, 1)), np.minimum(height, 1.0), -np.inf)
    return rate_hz / lag, strength, np.sqrt(power[:, 0] / (window**2).sum())


@lru_cache(maxsize=32)
def _window(n: int) -> Single:
    return np.hanning(n + 2)[1:-1].astype(np.float32)


@lru_cache(maxsize=32)
def _of_window(n: int, size: int, finer: int, longest: int) -> Single:
    """Return what the autocorrelation is multiplied by at each lag: the window's own at lag 0 over that there."""
    own = irfft(np.abs(rfft(_window(n).astype(np.float64), size)) ** 2, finer * size)[:longest]
    return np.asarray((own[0] / own).astype(np.float32))


def _by_frame(frame: Places, merit: Array, place: Places, n: int) -> tuple[Single, Places]:
    """Return the merits and places of peaks, frame by frame [shape=(n, most peaks of one)]; merit -inf for none."""
    count = np.bincount(frame, minlength=n)
    column = np.arange(len(frame)) - np.repeat(np.cumsum(count) - count, count)
    shape = (n, max(CANDIDATES, int(count.max(initial=0))))
    merits, places = np.full(shape, -np.inf, dtype=np.float32), np.zeros(shape, dtype=np.intp)
    merits[frame, column], places[frame, column] = merit, place
    return merits, places


def _interpolated(r: Single, lags: Places) -> tuple[Array, Array]:
    """Return the lag and height of each peak by windowed sinc interpolation around ``lags`` (n, CANDIDATES)."""
    near = np.abs(lags[..., None] + np.arange(-TAPS, TAPS + 1))  # r is even: below lag 0 it mirrors
    values = np.take_along_axis(r, near.reshape(len(r), -1), 1).reshape(near.shape)
    fine, kernel = _kernel()
    curve = values @ kernel
    top = np.clip(curve.argmax(axis=-1), 1, 2 * STEPS - 1)[..., None]
    a, b, c = (np.take_along_axis(curve, top + i, -1)[..., 0].astype(np.float64) for i in (-1, 0, 1))
    shift = np.clip((a - c) / 2 / np.minimum(a - 2 * b + c, -1e-12), -1, 1)
    return lags + fine[top[..., 0]] + shift / STEPS, b - (a - c) * shift / 4


@lru_cache(maxsize=1)
def _kernel() -> tuple[Array, Single]:
    """Return where between lags the sinc interpolation is read, and its weights [shape=(tap, place)]."""
    fine = np.arange(-STEPS, STEPS + 1) / STEPS
    offset = np.arange(-TAPS, TAPS + 1)[:, None] - fine
    kernel = np.sinc(offset) * np.cos(np.pi * offset / (2 * (TAPS + 1))) ** 2
    return fine, (kernel / kernel.sum(axis=0)).astype(np.float32)  # a flat curve stays flat


def best_path(f0: Array, strength: Array, level: Array, hop_s: float) -> tuple[Array, Array]:
    """Return f0 (NaN unvoiced) and strength along the cheapest path through the candidates and "unvoiced"."""
    n, k = f0.shape
    quiet = level <= max(level.max(initial=0) * 10 ** (-QUIET_DB / 20), 1e-9)
    gain = np.column_stack([strength + OCTAVE_COST * np.log2(f0), np.full(n, VOICED)])
    gain[:, k] += OCTAVE_COST * np.log2(100.0) + 2.0 * quiet
    pitch = np.column_stack([np.log2(f0), np.full(n, np.nan)])
    cost = JUMP_COST * np.abs(pitch[:-1, :, None] - pitch[1:, None, :])
    cost[:, k, :] = cost[:, :, k] = VOICING_COST
    cost[:, k, k] = 0.0
    cost *= 0.01 / hop_s
    came, score = np.zeros((n, k + 1), dtype=int), gain[0]
    for i in range(1, n):
        ways = score[:, None] - cost[i - 1]
        came[i] = ways.argmax(axis=0)
        score = ways.max(axis=0) + gain[i]
    state = np.empty(n, dtype=int)
    state[-1] = score.argmax()
    for i in range(n - 1, 0, -1):
        state[i - 1] = came[i, state[i]]
    rows, voiced = np.arange(n), state < k
    chosen = np.where(voiced, state, 0)
    return (np.where(voiced, f0[rows, chosen], np.nan), np.where(voiced, np.clip(strength[rows, chosen], 0, 1), 0.0))
