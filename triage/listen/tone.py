"""Tone: how bright, how even, how pure a held note sounds.

In: the held part of one note, one channel, 1-D, full scale 1, and its pitch in Hz (NaN where unknown). Out: numbers
from one averaged spectrum, NaN where the sound is too short or silent. Only what stands above the noise between the
partials counts, so that the room's noise floor has no effect.
"""

from typing import NamedTuple

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import ArrayLike, NDArray
from scipy.fft import rfft, rfftfreq
from scipy.ndimage import maximum_filter1d, percentile_filter
from scipy.signal.windows import blackman

from triage.domain.errors import AudioError
from triage.listen.envelope import Array, one_channel, theil_sen

PERIODS = 12  # of the note in a window: partials stand 12 bins apart, with quiet bins between them
SHORTEST_S, UNPITCHED_S = 0.06, 0.1
LOBE = 3  # bins on each side that a partial fills (Blackman window)
LOWEST_HZ = 20.0
ABOVE_FLOOR_DB = 9.0, 9.0  # this, and this over the root of the number of windows: few windows scatter more
BELOW_PEAK_DB = 90.0


class Spectrum(NamedTuple):
    """One averaged spectrum, shapes (n_bins,)."""

    bin_hz: Array
    power: Array  # in each bin, full scale 1: the sum over bins is the mean square
    partial_bins: NDArray[np.bool_]  # True in the bins of partials
    f0_hz: float


def spectrum(waveform: ArrayLike, rate_hz: float, f0_hz: float = np.nan) -> Spectrum:
    """Return the power spectrum of a held note, averaged over half-overlapping Blackman windows (Welch).

    Parameters
    ----------
    waveform : array_like, shape (n_samples,)
    rate_hz, f0_hz : float
        The windows hold 12 periods of ``f0_hz`` (0.1 s where unknown), or all there is.

    Returns
    -------
    Spectrum
        ``partial_bins`` marks the bins of partials: 10 to 18 dB above the quiet between them (the lower quartile over
        one partial's distance), within 90 dB of the highest, above half the pitch. Empty below 5 periods or 20 ms.

    Raises
    ------
    AudioError
        If the waveform is not 1-D and finite.
    """
    x = one_channel(waveform)
    pitched = bool(f0_hz > 0)
    window_s = max(PERIODS / f0_hz, SHORTEST_S) if pitched else UNPITCHED_S
    n = min(round(window_s * rate_hz), x.size)
    if n < max(0.02, 5 / f0_hz if pitched else 0.0) * rate_hz or not x.any():
        return Spectrum(np.empty(0), np.empty(0), np.empty(0, dtype=bool), f0_hz)
    bin_hz, power = _welch(x, rate_hz, n)
    distance = (f0_hz if pitched else 10 / window_s) / bin_hz[1]
    floor = percentile_filter(power, 25, size=2 * round(distance / 2) + 1, mode="nearest")
    above_db = ABOVE_FLOOR_DB[0] + ABOVE_FLOOR_DB[1] / np.sqrt(max(2 * x.size / n - 1, 1))
    loud = power > np.maximum(floor * 10 ** (above_db / 10), power.max() * 10 ** (-BELOW_PEAK_DB / 10))
    # A partial's skirts belong to it: without them a louder floor would change its share.
    partial_bins = maximum_filter1d(loud, 3) & (bin_hz > (f0_hz / 2 if pitched else LOWEST_HZ))
    return Spectrum(bin_hz, power, partial_bins, f0_hz)


def spectral_centroid_hz(sound: Spectrum) -> float:
    """Return the amplitude-weighted centre of the bins of partials, in Hz; NaN where there are none.

    centroid = sum_k a_k hz_k / sum_k a_k, a = sqrt(power) (Klapuri and Davy, Signal Processing Methods for Music
    Transcription, 2006, chapter 5). Partials at 1/k, k to 12, give 3.867 f0.
    """
    amplitude = np.sqrt(sound.power[sound.partial_bins])
    return float(np.average(sound.bin_hz[sound.partial_bins], weights=amplitude)) if amplitude.sum() > 0 else np.nan


def rolloff_hz(sound: Spectrum, share: float = 0.95) -> float:
    """Return the frequency below which ``share`` of the partials' power lies, in Hz; NaN where there is none."""
    total = np.cumsum(np.where(sound.partial_bins, sound.power, 0.0))
    if not total.size or not total[-1] > 0:
        return np.nan
    return float(sound.bin_hz[np.searchsorted(total, share * total[-1])])


def harmonics_db(sound: Spectrum, n: int = 20) -> Array:
    """Return the RMS level of partials 1 to ``n``, in dBFS: power within a window's lobe of each, floor taken off.

    level_k = 10 log10( sum of power within max(3 bins, 2 %) of k f0, less the quiet floor's share )

    Parameters
    ----------
    sound : Spectrum
        With a pitch.
    n : int

    Returns
    -------
    ndarray, shape (n,)
        NaN above the Nyquist frequency and where the partial does not stand out of the floor.

    Raises
    ------
    AudioError
        If n is below 1.
    """
    if n < 1:
        raise AudioError(f"{n} partials asked for, expected 1 or more")
    level = np.full(n, np.nan)
    if not (sound.f0_hz > 0 and sound.bin_hz.size):
        return level
    hz = np.arange(1, n + 1) * sound.f0_hz
    low, high = _bands(sound, hz)
    outer = [np.searchsorted(sound.bin_hz, hz + side * 0.5 * sound.f0_hz) for side in (-1, 1)]
    for i in np.flatnonzero(hz + sound.f0_hz / 2 < sound.bin_hz[-1]):
        band = sound.power[low[i] : high[i]]
        around = np.concatenate([sound.power[outer[0][i] : low[i]], sound.power[high[i] : outer[1][i]]])
        left = band.sum() - band.size * (np.median(around) if around.size else 0.0)
        if left > 0 and sound.partial_bins[low[i] : high[i]].any():
            level[i] = 10 * np.log10(left)
    return level


def tilt_db_oct(partials_db: ArrayLike) -> float:
    """Return the slope of the partials' levels in dB per octave (Theil-Sen over log2 k): -6.02 for 1/k.

    ``partials_db`` as from ``harmonics_db``. NaN below 3 partials that stand out.
    """
    level = np.asarray(partials_db, dtype=np.float64)
    return theil_sen(np.log2(np.arange(1, level.size + 1)), level)


def odd_even_db(partials_db: ArrayLike) -> float:
    """Return the power of partials 3, 5, 7 ... over that of 2, 4, 6 ..., in dB; as many of each.

    The fundamental is left out: it would hide the rest. A partial that does not stand out counts as nothing; NaN
    where no odd or no even one does.
    """
    power = np.nan_to_num(10 ** (np.asarray(partials_db, dtype=np.float64) / 10))
    power = power[: power.size - (power.size + 1) % 2]
    odd, even = power[2::2].sum(), power[1::2].sum()
    return float(10 * np.log10(odd / even)) if odd > 0 and even > 0 else np.nan


def harmonicity_db(sound: Spectrum, top_hz: float = 10_000.0) -> float:
    """Return the power of the partials over that of the rest, in dB, between half the pitch and ``top_hz``.

    rest = power outside the partials' bands, scaled up to the whole range; partials = the whole less the rest.
    NaN without a pitch or below 7 periods; vibrato and glides smear the partials and lower it; 50 dB
    and more means no more than "pure".
    """
    if not (sound.f0_hz > 0 and sound.bin_hz.size) or sound.f0_hz < 6.9 * sound.bin_hz[1]:
        return np.nan
    top_hz = min(top_hz, sound.bin_hz[-1])
    # One partial past the top too: its skirt reaches back below.
    hz = np.arange(1, int(top_hz / sound.f0_hz) + 2) * sound.f0_hz
    edge = np.zeros(sound.bin_hz.size + 1, dtype=int)
    for side, at in zip((1, -1), _bands(sound, hz), strict=True):
        np.add.at(edge, np.minimum(at, sound.bin_hz.size), side)
    partial = np.cumsum(edge[:-1]) > 0
    whole = (sound.bin_hz > sound.f0_hz / 2) & (sound.bin_hz < top_hz)
    outside = sound.power[whole & ~partial]
    if not outside.size or not sound.power[whole].sum() > 0:
        return np.nan
    rest = max(outside.mean() * whole.sum(), 1e-9 * sound.power[whole].sum())
    return float(10 * np.log10(max(sound.power[whole].sum() - rest, 1e-9 * rest) / rest))


def _welch(x: Array, rate_hz: float, n: int) -> tuple[Array, Array]:
    """Return each bin's frequency and power, as scipy's ``welch`` with Blackman windows, which takes longer."""
    window = blackman(n, sym=False)
    segments = sliding_window_view(x, n)[:: n - n // 2]
    turned = rfft((segments - segments.mean(axis=1, keepdims=True)) * window, axis=1)
    power = (turned.real**2 + turned.imag**2).mean(axis=0) / (n * (window**2).sum())
    power[1 : None if n % 2 else -1] *= 2  # one-sided
    return rfftfreq(n, 1 / rate_hz), power


def _bands(sound: Spectrum, hz: Array) -> tuple[Array, Array]:
    """Return first and one past the last bin of the band around each partial."""
    half = np.clip(0.02 * hz, LOBE * sound.bin_hz[1], 0.4 * sound.f0_hz)
    return np.searchsorted(sound.bin_hz, hz - half), np.searchsorted(sound.bin_hz, hz + half, side="right")
