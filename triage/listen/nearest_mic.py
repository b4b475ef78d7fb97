"""Location: which microphone a noise is nearest to, from when it arrives at each and how loud it is there.

Segments of samples around a hit, one per microphone, of the same moment and rate, go in; how much later it arrives at
each than at each other comes out, in seconds, and the index of the nearest. Sound travels a metre in 2.9 ms, so where
it arrives first is nearest. All pairs are read together: the arrival times that agree best with every pair, no longer
than the microphones can be apart, and the level over the notes where they say little. What sounded before the noise
(the tail of a note) has arrival times of its own, which are taken off.
"""

from collections.abc import Sequence

import numpy as np
from scipy import ndimage
from scipy.fft import irfft, next_fast_len, rfft, rfftfreq

REACH_S = 0.05  # 17 m between microphones
BAND_HZ = (150.0, 9000.0)
PLAYER_M, UNKNOWN_M, CRITICAL_M = 1.0, 4.0, 2.5
CLEAR = 1.25  # peak over the highest one elsewhere that could be another path
APART_S = 0.0008
PEAKS, KEPT, PEAK_REACH = 12, 40, 3  # of a pair; combinations; samples by which pairs may differ
LEVEL_WEIGHT = 0.1  # of a dB beside the pairs' agreement
CHANCE = 4.0  # agreement of noises that have nothing to do with each other
CLOSE = 0.85  # of the same: either of two may be the nearest
TIE_S = 0.0004  # 14 cm: nearer than that the level decides


def speed_m_s(celsius: float = 20.0) -> float:
    """Return the speed of sound in air, in m/s: 331.3 + 0.606 T, nearly ISO 9613-1's 343.2 sqrt(T / 293.15 K)."""
    return 331.3 + 0.606 * celsius


def correlations(segments: np.ndarray, rate_hz: int, stands_out: bool = True) -> np.ndarray:
    """Return how well every two microphones agree at each lag.

    Generalised cross-correlation with the phase transform (Knapp and Carter, IEEE Trans. ASSP 24(4), 1976), weighted
    by how far either spectrum stands above what was there before the noise.

    Parameters
    ----------
    segments : ndarray, shape (mic, sample)
        From 60 ms before the noise; the first 50 ms show what was there before.
    rate_hz : int
    stands_out : bool
        False: every frequency weighs the same.

    Returns
    -------
    ndarray, shape (mic, mic, lag)
        [i, j] at lags from -REACH_S to REACH_S: positive where the sound arrives later at i; mean absolute value 1.
    """
    n, reach = segments.shape[1], round(REACH_S * rate_hz)
    size = max(next_fast_len(2 * n, real=True), 2 * reach + 2)
    taper = np.hanning(n) ** 0.25  # a hard cut at the same sample of both would match at no lag
    spectra = rfft(segments * taper, size, axis=1)
    flat = spectra / np.maximum(np.abs(spectra), 1e-20)
    weights = [_stands_out(one, rate_hz, size) if stands_out else _inside(rate_hz, size) for one in segments]
    out = np.zeros((len(segments), len(segments), 2 * reach + 1))
    for i, j in zip(*np.tril_indices(len(segments), -1), strict=True):
        full = irfft(np.maximum(weights[i], weights[j]) * flat[i] * flat[j].conj(), size)
        near = np.concatenate((full[-reach:], full[: reach + 1]))
        out[i, j] = near / max(float(np.abs(near).mean()), 1e-20)
        out[j, i] = out[i, j, ::-1]
    return out


def later_s(correlated: np.ndarray, rate_hz: int) -> np.ndarray:
    """Return how much later a sound arrives at each microphone than at each other one, in seconds.

    Parameters
    ----------
    correlated : ndarray, shape (mic, mic, lag)
        As of ``correlations``.
    rate_hz : int

    Returns
    -------
    ndarray, shape (mic, mic)
        [i, j] > 0 where it arrives later at i than at j; NaN where that is unknown, 0 on the diagonal.
    """
    later = np.where(np.eye(len(correlated), dtype=bool), 0.0, np.nan)
    for i, j in zip(*np.tril_indices(len(correlated), -1), strict=True):
        later[i, j] = _peak_s(np.abs(correlated[i, j]), rate_hz)
        later[j, i] = -later[i, j]
    return later


def arrivals(correlated: np.ndarray, apart_s: np.ndarray, rate_hz: int) -> list[tuple[float, np.ndarray]]:
    """Return the likeliest arrival times, the best first: how well all pairs agree on them, and the times.

    The sum over pairs of their correlation at the difference of the times (steered response: DiBiase, Silverman and
    Brandstein, Microphone Arrays, 2001, chapter 8), over combinations of each pair's highest peaks, microphone after
    microphone.

    Parameters
    ----------
    correlated : ndarray, shape (mic, mic, lag)
        As of ``correlations``, less what was there before.
    apart_s : ndarray, shape (mic, mic)
        No sound takes longer between these two microphones.
    rate_hz : int

    Returns
    -------
    list of (float, ndarray of shape (mic,))
        The mean over pairs, and times in seconds after the arrival at the first microphone.
    """
    reach, most = correlated.shape[2] // 2, np.round(apart_s * rate_hz)
    wide = ndimage.maximum_filter1d(correlated, 2 * PEAK_REACH + 1, axis=2)
    found: list[tuple[float, list[int]]] = [(0.0, [0])]
    for mic in range(1, len(correlated)):
        peaks = [_highest_peaks(correlated[mic, other], reach, int(most[mic, other])) for other in range(mic)]
        longer = []
        for score, times in found:
            for at in {int(peak + times[other]) for other in range(mic) for peak in peaks[other]}:
                lags = [at - time for time in times]
                if all(abs(lag) <= most[mic, other] for other, lag in enumerate(lags)):
                    more = sum(wide[mic, other, lag + reach] for other, lag in enumerate(lags))
                    longer.append((score + float(more), [*times, at]))
        longer = longer or [(score, [*times, 0]) for score, times in found]
        found = sorted(longer, key=lambda one: -one[0])[:KEPT]
    pairs = max(1, len(correlated) * (len(correlated) - 1) // 2)
    return [(score / pairs, np.array(times) / rate_hz) for score, times in found]


def apart_s(lag_s: np.ndarray) -> np.ndarray:
    """Return the longest time that sound can take between two microphones, from how late the notes reach each.

    They are no further apart than both distances from the player together (the nearest one's taken as 1 m), and
    a sixth more.

    Parameters
    ----------
    lag_s : ndarray, shape (mic,)
        NaN where unknown: 4 m.

    Returns
    -------
    ndarray, shape (mic, mic)
    """
    away = _away_m(lag_s)
    return np.asarray(np.minimum((1.15 * (away[:, None] + away[None, :]) + 0.5) / speed_m_s(), REACH_S))


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
    away_m = _away_m(np.asarray(lag_s, float))
    spread = 10 * np.log10(1 / away_m**2 + 1 / CRITICAL_M**2)
    return np.asarray(np.asarray(noise_dbfs, float) - np.asarray(note_dbfs, float) + spread)


def by_nearness(found: Sequence[tuple[float, np.ndarray]], closeness: np.ndarray) -> tuple[int, int | None]:
    """Return the index of the microphone nearest to a noise, and of a second one where it may as well be that.

    Each microphone counts by how well the best arrival times with it as the first agree, and by LEVEL_WEIGHT of its
    ``closeness``; within 0.4 ms (14 cm) the level decides.

    Parameters
    ----------
    found : sequence of (float, ndarray of shape (mic,))
        Of ``arrivals``.
    closeness : ndarray, shape (mic,)
        Of ``closeness_db``.

    Returns
    -------
    nearest : int
    second : int or None
        Named where it counts for nearly as much.
    """
    level = np.nan_to_num(closeness, nan=-300.0)
    best: dict[int, float] = {}
    for score, times in found:
        first = int(np.argmin(times))
        best[first] = max(best.get(first, -np.inf), score)
    worst = min(CHANCE, min(best.values()) - 1.0)
    total = np.array([best.get(mic, worst) for mic in range(len(level))]) + LEVEL_WEIGHT * level
    order = [int(mic) for mic in np.argsort(-total)]
    times = found[0][1]
    if len(order) > 1 and order[0] == int(np.argmin(times)):
        tied = [int(mic) for mic in np.flatnonzero(times - times.min() < TIE_S)]
        louder = max(tied, key=lambda mic: level[mic])
        order.remove(louder)
        order = [louder, *order]
    close = len(order) > 1 and total[order[0]] - total[order[1]] < CLOSE
    return order[0], order[1] if close else None


def _away_m(lag_s: np.ndarray) -> np.ndarray:
    """Return each microphone's distance from the player in m: the nearest one's is 1 m; 4 m where unknown."""
    least = float(np.nanmin(lag_s)) if np.isfinite(lag_s).any() else 0.0
    return np.where(np.isfinite(lag_s), PLAYER_M + speed_m_s() * (lag_s - least), UNKNOWN_M)


def _highest_peaks(correlation: np.ndarray, reach: int, most: int) -> list[int]:
    """Return the lags of the highest peaks within so many samples."""
    inner = correlation[1:-1]
    peaks = np.flatnonzero((inner > correlation[:-2]) & (inner >= correlation[2:])) + 1 - reach
    peaks = peaks[np.abs(peaks) <= most]
    return [int(peak) for peak in peaks[np.argsort(-correlation[peaks + reach])[:PEAKS]]]


def _inside(rate_hz: int, size: int) -> np.ndarray:
    hz = rfftfreq(size, 1 / rate_hz)
    return ((hz >= BAND_HZ[0]) & (hz <= BAND_HZ[1])).astype(float)


def _stands_out(segment: np.ndarray, rate_hz: int, size: int) -> np.ndarray:
    """Return each bin's share of the noise in the reference [shape=(bin,)]: 0 where the noise adds nothing."""
    half, inside = round(0.05 * rate_hz), _inside(rate_hz, size)
    if len(segment) < 3 * half:
        return inside
    parts = np.lib.stride_tricks.sliding_window_view(segment, half)[:: half // 2]
    short = next_fast_len(half, real=True)  # 50 ms tell 20 Hz apart; the long transform's bins lie between these
    power = np.abs(rfft(parts * np.hanning(half), short, axis=1)) ** 2
    power = ndimage.uniform_filter1d(power, max(1, round(60.0 * short / rate_hz)), axis=1, mode="constant")
    share = np.clip(1 - power[0] / np.maximum(power[2:].max(axis=0), 1e-20), 0.0, 1.0)
    between = np.interp(rfftfreq(size, 1 / rate_hz), rfftfreq(short, 1 / rate_hz), share)
    return np.asarray(inside * between)


def _peak_s(near: np.ndarray, rate_hz: int) -> float:
    """Return the lag of the highest peak, NaN where another is nearly as high."""
    reach, at = len(near) // 2, int(near.argmax())
    away = np.abs(np.arange(len(near)) - at) > APART_S * rate_hz
    return (at - reach) / rate_hz if near[at] > CLEAR * near[away].max(initial=0.0) else float("nan")
