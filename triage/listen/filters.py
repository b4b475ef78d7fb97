"""Butterworth filters of even order as second-order sections, designed in a fraction of the time scipy takes.

An edge that follows a note's pitch means a new filter for every note. Analogue poles, warped, by the bilinear
transform; the same filters as ``scipy.signal.butter`` gives, within rounding.
"""

import numpy as np

from triage.listen.envelope import Array


def high_pass(order: int, edge_hz: float, rate_hz: float) -> Array:
    """Return a high-pass [shape=(order / 2, 6)]: b0 b1 b2 1 a1 a2 of each section; ``order`` is even."""
    poles = _warped(edge_hz, rate_hz) / _prototype(order)
    a1, a2 = _denominators(poles)
    gain = (1 - a1 + a2) / 4  # 1 at the Nyquist frequency
    return np.column_stack([gain, -2 * gain, gain, np.ones_like(a1), a1, a2])


def band_pass(order: int, low_hz: float, high_hz: float, rate_hz: float) -> Array:
    """Return a band-pass [shape=(order, 6)], as ``high_pass``; both of its skirts have the order, which is even."""
    low, high = _warped(low_hz, rate_hz), _warped(high_hz, rate_hz)
    half = _prototype(order) * (high - low) / 2
    apart = np.sqrt(half**2 - low * high)
    a1, a2 = _denominators(np.concatenate([half + apart, half - apart]))
    middle = np.exp(2j * np.arctan(np.sqrt(low * high)))
    gain = np.abs((middle**2 + a1 * middle + a2) / (middle**2 - 1))  # all sections together: 1 there
    return np.column_stack([gain, np.zeros_like(a1), -gain, np.ones_like(a1), a1, a2])


def _prototype(order: int) -> Array:
    """Return the poles of the low-pass of edge 1 that lie above the real axis [shape=(order / 2,)]."""
    return np.asarray(np.exp(0.5j * np.pi * (1 + (2 * np.arange(order // 2) + 1) / order)))


def _warped(edge_hz: float, rate_hz: float) -> float:
    return float(np.tan(np.pi * edge_hz / rate_hz))


def _denominators(analogue: Array) -> tuple[Array, Array]:
    """Return a1 and a2 of the section of each pole, and of its conjugate, through s = (z - 1) / (z + 1)."""
    poles = (1 + analogue) / (1 - analogue)
    return -2 * poles.real, np.abs(poles) ** 2
