"""Loudness after ITU-R BS.1770 (K weighting, gating) with the windows of EBU R 128, and true peak.

A waveform is one channel, shape (n_samples,), or several, shape (channel, sample), full scale 1. Loudness is in LUFS,
absolute: a 997 Hz sine of full scale in one channel reads -3.01. Digital silence reads -200 in a series and NaN as a
single number.

ITU-R BS.1770-5, annexes 1 and 2; EBU Tech 3341 (momentary 0.4 s, short-term 3 s).
"""

from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike
from scipy.signal import firwin, resample_poly, sosfilt

from triage.domain.errors import AudioError
from triage.listen.envelope import SILENT_DB, Array

MOMENTARY_S = 0.4
OFFSET_LU = -0.691  # makes up for the weighting's +0.691 dB at 997 Hz
ABSOLUTE_GATE_LUFS, RELATIVE_GATE_LU = -70.0, -10.0
# Analogue parameters that the standard's 48 kHz tables come from: centre in Hz, quality, gain in dB, and the exponent
# that splits the shelf's gain.
SHELF = (1681.974450955533, 0.7071752369554196, 3.999843853973347, 0.4996667741545416)
HIGH_PASS = (38.13547087602444, 0.5003270373238773)


def k_weighting_sos(rate_hz: float) -> Array:
    """Return the K weighting as two second-order sections for scipy, at any rate.

    Both stages by the bilinear transform with k = tan(pi f0 / rate): a shelf of +4 dB, then a high-pass.

    Parameters
    ----------
    rate_hz : float

    Returns
    -------
    ndarray, shape (2, 6)
        b0 b1 b2 1 a1 a2 of each stage; at 48 kHz the standard's tables 1 and 2.
    """
    f0, q, gain_db, split = SHELF
    k, high = np.tan(np.pi * f0 / rate_hz), 10 ** (gain_db / 20)
    band, a0 = high**split, 1 + k / q + k * k
    shelf = [
        (high + band * k / q + k * k) / a0,
        2 * (k * k - high) / a0,
        (high - band * k / q + k * k) / a0,
        1.0,
        2 * (k * k - 1) / a0,
        (1 - k / q + k * k) / a0,
    ]
    f0, q = HIGH_PASS
    k = np.tan(np.pi * f0 / rate_hz)
    a0 = 1 + k / q + k * k
    return np.array([shelf, [1.0, -2.0, 1.0, 1.0, 2 * (k * k - 1) / a0, (1 - k / q + k * k) / a0]])


def momentary_lufs(
    waveform: ArrayLike,
    rate_hz: float,
    hop_s: float = 0.01,
    window_s: float = MOMENTARY_S,
    weights: ArrayLike | None = None,
) -> Array:
    """Return the loudness of every window of 0.4 s, in LUFS.

    loudness = -0.691 + 10 log10( sum over channels of weight_i mean(y_i^2) ), y the K-weighted channel

    Parameters
    ----------
    waveform : array_like, shape (n_samples,) or (channel, sample)
    rate_hz, hop_s, window_s : float
        Window i spans [i hop, i hop + window] seconds.
    weights : array_like, shape (channel,), optional
        1 for every channel where None; the standard gives surround channels 1.41.

    Returns
    -------
    ndarray, shape (n_windows,)
        Empty where the waveform is shorter than a window.

    Raises
    ------
    AudioError
        For another shape, values that are not finite, or weights that do not match the channels.
    """
    energy = _weighted_energy(waveform, rate_hz, weights)
    n = round(window_s * rate_hz)
    starts = np.round(np.arange(max(0, int((energy.size - 1 - n) / rate_hz / hop_s + 1e-9) + 1)) * hop_s * rate_hz)
    starts = starts.astype(int)
    starts = starts[starts + n < energy.size]
    return _lufs((energy[starts + n] - energy[starts]) / max(n, 1))


def integrated_lufs(waveform: ArrayLike, rate_hz: float, weights: ArrayLike | None = None) -> float:
    """Return the gated loudness of the whole waveform, in LUFS.

    Mean power of the 0.4 s blocks (overlap 75 %) above -70 LUFS and above the mean of those less 10 LU.

    Parameters
    ----------
    waveform : array_like, shape (n_samples,) or (channel, sample)
    rate_hz : float
    weights : array_like, shape (channel,), optional
        As for ``momentary_lufs``.

    Returns
    -------
    float
        NaN where no block passes the gates, or the waveform is shorter than a block.

    Raises
    ------
    AudioError
        As ``momentary_lufs``.
    """
    blocks = momentary_lufs(waveform, rate_hz, MOMENTARY_S / 4, weights=weights)
    blocks = blocks[blocks > ABSOLUTE_GATE_LUFS]
    if not blocks.size:
        return np.nan
    power = 10 ** (blocks / 10)
    gate = 10 * np.log10(power.mean()) + RELATIVE_GATE_LU
    return float(10 * np.log10(power[blocks > gate].mean()))


def note_lufs(waveform: ArrayLike, rate_hz: float, hop_s: float = 0.01) -> float:
    """Return the highest momentary loudness of a note, in LUFS.

    A note shorter than 0.4 s is measured over its own length: a window with silence in it would call a short note
    softer than a long one that is played alike.

    Parameters
    ----------
    waveform : array_like, shape (n_samples,) or (channel, sample)
        From the onset on.
    rate_hz, hop_s : float

    Returns
    -------
    float
        NaN for silence and for less than 10 ms.

    Raises
    ------
    AudioError
        As ``momentary_lufs``.
    """
    duration_s = np.atleast_2d(np.asarray(waveform)).shape[1] / rate_hz
    if duration_s < 0.01:
        return np.nan
    loudest = momentary_lufs(waveform, rate_hz, hop_s, min(MOMENTARY_S, duration_s)).max()
    return float(loudest) if loudest > SILENT_DB + 1 else np.nan


def true_peak_dbtp(waveform: ArrayLike, rate_hz: float) -> float:
    """Return the highest peak between the samples, in dB of full scale.

    Oversampled to at least 192 kHz (4 times at 48 kHz) as in BS.1770 annex 2; the highest channel's peak.

    Parameters
    ----------
    waveform : array_like, shape (n_samples,) or (channel, sample)
    rate_hz : float

    Returns
    -------
    float
        NaN for silence.

    Raises
    ------
    AudioError
        As ``momentary_lufs``.
    """
    x = _channels(waveform)
    factor = 4 if rate_hz < 96_000 else 2 if rate_hz < 192_000 else 1
    dense = resample_poly(x, factor, 1, axis=1, window=_fir(factor)) if factor > 1 and x.size else x
    peak = max(np.abs(x).max(initial=0.0), np.abs(dense).max(initial=0.0))
    return float(20 * np.log10(peak)) if peak > 0 else np.nan


@lru_cache(maxsize=4)
def _fir(factor: int) -> Array:
    """Return the low-pass that ``resample_poly`` would design anew for every call."""
    return np.asarray(firwin(20 * factor + 1, 1 / factor, window=("kaiser", 5.0)))


def _channels(waveform: ArrayLike) -> Array:
    """Return the waveform as (channel, sample), checked."""
    x = np.atleast_2d(np.asarray(waveform, dtype=np.float64))
    if x.ndim != 2 or x.shape[0] > max(x.shape[1], 1):
        raise AudioError(f"waveform has shape {x.shape}, expected (channel, sample): transpose (sample, channel)")
    if not np.isfinite(x).all():
        raise AudioError(f"waveform has {int((~np.isfinite(x)).sum())} values that are not finite: read it again")
    return x


def _weighted_energy(waveform: ArrayLike, rate_hz: float, weights: ArrayLike | None) -> Array:
    """Return the running sum of the weighted channels' squared K-weighted samples, one longer than the waveform."""
    x = _channels(waveform)
    gains = np.ones(x.shape[0]) if weights is None else np.asarray(weights, dtype=np.float64)
    if gains.shape != x.shape[:1]:
        raise AudioError(f"{gains.size} channel weights for {x.shape[0]} channels: give one for each")
    power = gains @ sosfilt(k_weighting_sos(rate_hz), x, axis=1) ** 2 if x.size else np.empty(0)
    return np.concatenate([[0.0], np.cumsum(power)])


def _lufs(power: Array) -> Array:
    return OFFSET_LU + 10 * np.log10(np.maximum(power, 10 ** ((SILENT_DB - OFFSET_LU) / 10)))
