"""Location: which microphone a noise is nearest to, from when it arrives at each and how loud it is there.

Segments of samples around a hit, one per microphone, shape (sample,), of the same moment and rate, go in; how much
later it arrives at each than at each other comes out, in seconds, and the index of the nearest. Sound travels a metre
in 2.9 ms, so where it arrives first is nearest; where the lags are unclear, the level over the notes decides.
"""

from collections.abc import Sequence

import numpy as np
from scipy.fft import irfft, next_fast_len, rfft, rfftfreq

from triage.domain.errors import AudioError

REACH_S = 0.05  # 17 m between microphones
BAND_HZ = (150.0, 9000.0)
PLAYER_M, UNKNOWN_M, CRITICAL_M = 1.0, 4.0, 2.5
CLEAR = 1.25  # peak over the highest one elsewhere that could be another path
APART_S = 0.0008
TIE_S = 0.0004  # 14 cm: nearer than that the level decides


def speed_m_s(celsius: float = 20.0) -> float:
    """Return the speed of sound in air, in m/s: 331.3 + 0.606 T, nearly ISO 9613-1's 343.2 sqrt(T / 293.15 K)."""
    return 331.3 + 0.606 * celsius


def later_s(segments: Sequence[np.ndarray], rate_hz: int) -> np.ndarray:
    """Return how much later a sound arrives at each microphone than at each other one, in seconds.

    Generalised cross-correlation with the phase transform (Knapp and Carter, IEEE Trans. ASSP 24(4), 1976), weighted
    by how far either spectrum stands above what was there before the noise.

    Parameters
    ----------
    segments : sequence of ndarray, each of shape (sample,)
        From 0.1 s before the noise; the first 50 ms show what was there before.
    rate_hz : int

    Returns
    -------
    ndarray, shape (mic, mic)
        [i, j] > 0 where it arrives later at i than at j; NaN where that is unknown, 0 on the diagonal.

    Raises
    ------
    AudioError
        If the segments differ in length.
    """
    lengths = {len(one) for one in segments}
    if len(lengths) > 1:
        raise AudioError(f"segments of {sorted(lengths)} samples: pass the same segment of each microphone")
    count, n = len(segments), min(lengths, default=0)
    later = np.where(np.eye(count, dtype=bool), 0.0, np.nan)
    if n < 0.02 * rate_hz:
        return later
    size = next_fast_len(2 * n, real=True)
    taper = np.hanning(n) ** 0.25  # a hard cut at the same sample of both would match at no lag
    spectra = [rfft(one * taper, size) for one in segments]
    weights = [_stands_out(one, rate_hz, size) for one in segments]
    for i in range(count):
        for j in range(i):
            cross = spectra[i] * spectra[j].conj()
            weight = np.maximum(weights[i], weights[j])
            later[i, j] = _peak_s(np.abs(irfft(weight * cross / np.maximum(np.abs(cross), 1e-20), size)), rate_hz)
            later[j, i] = -later[i, j]
    return later


def closeness_db(noise_dbfs: Sequence[float], note_dbfs: Sequence[float], lag_s: Sequence[float]) -> np.ndarray:
    """Return how loud a noise is at each microphone's position, with the preamplifier gain removed, in dB.

    L_noise - L_note + 10 log10(1 / d^2 + 1 / r^2): the notes give the gain, for the player's level there is known
    from the distance d = 1 m + c (lag - least lag) and the hall's critical distance r = 2.5 m (common values).

    Parameters
    ----------
    noise_dbfs, note_dbfs : sequence of float
        Level of the noise and of the notes at each microphone.
    lag_s : sequence of float
        How late the player's sound arrives at each; where NaN, 4 m are assumed.

    Returns
    -------
    ndarray, shape (mic,)
    """
    lag = np.asarray(lag_s, float)
    least = float(np.nanmin(lag)) if np.isfinite(lag).any() else 0.0
    away_m = np.where(np.isfinite(lag), PLAYER_M + speed_m_s() * (lag - least), UNKNOWN_M)
    spread = 10 * np.log10(1 / away_m**2 + 1 / CRITICAL_M**2)
    return np.asarray(np.asarray(noise_dbfs, float) - np.asarray(note_dbfs, float) + spread)


def nearest(later: np.ndarray, closeness: np.ndarray) -> int:
    """Return the index of the microphone nearest to a noise: the one that beats most others.

    Of two, the one it reaches first is nearer; where the lag is within 0.4 ms (14 cm) or unknown, the one with more
    ``closeness_db``.

    Parameters
    ----------
    later : ndarray, shape (mic, mic)
        Of ``later_s``.
    closeness : ndarray, shape (mic,)

    Returns
    -------
    int
    """
    level = np.nan_to_num(closeness, nan=-300.0)
    by_level = level[:, None] > level[None, :]
    known = np.isfinite(later) & (np.abs(np.nan_to_num(later)) > TIE_S)
    wins = np.where(known, np.nan_to_num(later) < 0, by_level).sum(axis=1)
    return int(np.lexsort((level, wins))[-1])


def _stands_out(segment: np.ndarray, rate_hz: int, size: int) -> np.ndarray:
    """Return each bin's share of the noise in the reference [shape=(bin,)]: 0 where the noise adds nothing."""
    half = round(0.05 * rate_hz)
    hz = rfftfreq(size, 1 / rate_hz)
    inside = (hz >= BAND_HZ[0]) & (hz <= BAND_HZ[1])
    if len(segment) < 3 * half:
        return inside.astype(float)
    before = _smooth(np.abs(rfft(segment[:half] * np.hanning(half), size)) ** 2, rate_hz, size)
    parts = [segment[k : k + half] for k in range(half, len(segment) - half + 1, half // 2)]
    now = np.max([_smooth(np.abs(rfft(part * np.hanning(half), size)) ** 2, rate_hz, size) for part in parts], axis=0)
    return np.asarray(inside * np.clip(1 - before / np.maximum(now, 1e-20), 0.0, 1.0))


def _smooth(power: np.ndarray, rate_hz: int, size: int) -> np.ndarray:
    width = max(1, round(60.0 * size / rate_hz))
    return np.convolve(power, np.ones(width) / width, "same")


def _peak_s(correlation: np.ndarray, rate_hz: int) -> float:
    """Return the lag of the highest peak, NaN where another is nearly as high."""
    reach = min(round(REACH_S * rate_hz), len(correlation) // 2 - 1)
    near = np.concatenate((correlation[-reach:], correlation[: reach + 1]))
    at = int(near.argmax())
    away = np.abs(np.arange(len(near)) - at) > APART_S * rate_hz
    return (at - reach) / rate_hz if near[at] > CLEAR * near[away].max(initial=0.0) else float("nan")
