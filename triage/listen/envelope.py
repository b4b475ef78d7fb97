"""The level contour of a note: envelope, attack, length, slope, release.

A waveform is one channel, a 1-D float array, full scale 1. An envelope is a 1-D array of RMS levels in dBFS (a
full-scale sine reads -3.01), one value every ``hop_s`` seconds, the first at 0 s. Times come back in seconds from
the envelope's first value and lie between its values where a crossing does. What is unknown is NaN.
"""

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import maximum_filter1d, minimum_filter1d

from triage.domain.errors import AudioError

Array = NDArray[np.floating[Any]]

SILENT_DB = -200.0  # what digital silence reads: finite, so that sums and fits stay finite
HELD_S = 0.05  # a level counts as the note's own when it is held for this long
SETTLE_S, SETTLE_DB = 0.1, 1.5  # the attack is over where the next 0.1 s brings less than 1.5 dB ...
SPEAKS_DB = 12.0  # ... and the level is this near to the highest held one
FALL_S, FALL_AROUND_S = 0.01, 0.12  # a fall is steepest over so long, so near a note's end
SLOPE_POINTS = 300  # Theil-Sen looks at every pair: more points cost time and add nothing


def one_channel(values: ArrayLike, name: str = "waveform") -> Array:
    """Return ``values`` as a 1-D float64 array, refusing other shapes and values that are not finite.

    Parameters
    ----------
    values : array_like, shape (n,)
    name : str
        What the message calls it.

    Raises
    ------
    AudioError
        If it is not 1-D, or holds NaN or infinity.
    """
    array = np.asarray(values, dtype=np.float64)
    if array.ndim != 1:
        raise AudioError(f"{name} has shape {array.shape}, expected (sample,): pass one channel at a time")
    if not np.isfinite(array).all():
        raise AudioError(f"{name} has {int((~np.isfinite(array)).sum())} values that are not finite: read it again")
    return array


def rms_envelope_db(
    waveform: ArrayLike, rate_hz: float, hop_s: float = 0.005, window_s: float = 0.01, f0_hz: float = np.nan
) -> Array:
    """Return the RMS level around each hop, in dBFS.

    level_db[i] = 10 log10( mean of x^2 over [i hop - w/2, i hop + w/2] )

    With ``f0_hz`` the window is the shortest whole number of periods that is not below ``window_s``. The square of a
    periodic sound repeats with its period, so the mean over whole periods has no ripple, however low the note.

    Parameters
    ----------
    waveform : array_like, shape (n_samples,)
    rate_hz, hop_s, window_s : float
    f0_hz : float
        The note's pitch; NaN where unknown.

    Returns
    -------
    ndarray, shape (1 + floor(duration / hop),)
        Empty for an empty waveform; -200 for digital silence. At the ends the mean is over what is there.

    Raises
    ------
    AudioError
        If the waveform is not 1-D and finite.
    """
    x = one_channel(waveform)
    if not x.size:
        return np.empty(0)
    if f0_hz > 0:
        window_s = max(np.ceil(window_s * f0_hz - 1e-6), 1.0) / f0_hz
    energy = np.concatenate([[0.0], np.cumsum(x * x)])
    centre = np.arange(int(x.size / rate_hz / hop_s + 1e-9) + 1) * hop_s * rate_hz
    # Fractions of a sample count: rounding the window to whole samples would let ripple back in.
    start, stop = (np.clip(centre + side * window_s * rate_hz / 2, 0, x.size) for side in (-1, 1))
    between = _at(energy, stop) - _at(energy, start)
    power = between / np.maximum(stop - start, 1e-9)
    return 10 * np.log10(np.maximum(power, 10 ** (SILENT_DB / 10)))


def attack_end(envelope_db: ArrayLike, hop_s: float) -> int | None:
    """Return the index where the attack is over: from there the next 0.1 s brings less than 1.5 dB.

    The maximum may come much later (a swell), so it is not asked for. Within 12 dB of the highest held level only,
    so that neither a floor before the note nor a first burst counts as its sustain. None where nothing stands out.
    """
    level = one_channel(envelope_db, "envelope_db")
    held = held_level_db(level, hop_s)
    if not np.isfinite(held):
        return None
    settled = (_ahead(level, SETTLE_S / hop_s) - level < SETTLE_DB) & (level > held - SPEAKS_DB)
    return int(np.argmax(settled)) if settled.any() else None


def attack_time_s(envelope_db: ArrayLike, hop_s: float) -> float:
    """Return the time from 20 % to 90 % of the amplitude that the attack arrives at, in seconds.

    attack = t(0.9 A) - t(0.2 A); A = highest amplitude within 0.1 s of ``attack_end``; t = first upward crossing,
    interpolated. A linear ramp of 100 ms gives 70 ms. The envelope's own window adds up to 0.77 of its length.

    Parameters
    ----------
    envelope_db : array_like, shape (n,)
        From just before the onset (the floor, then the note).
    hop_s : float

    Returns
    -------
    float
        Seconds; NaN for a silent or empty envelope, and where the note already sounds at the first value.
    """
    level = one_channel(envelope_db, "envelope_db")
    end = attack_end(level, hop_s)
    if end is None:
        return np.nan
    amplitude = 10 ** (level / 20)
    top = _ahead(amplitude, SETTLE_S / hop_s)[end]
    low, high = _upward(amplitude, 0.2 * top), _upward(amplitude, 0.9 * top)
    return (high - low) * hop_s


def overshoot_db(envelope_db: ArrayLike, hop_s: float) -> float:
    """Return how far the attack's peak stands above the early sustain, in dB.

    overshoot = max(level up to 50 ms after attack_end) - median(level from 100 to 250 ms after it); NaN where the
    note does not last that long.
    """
    level = one_channel(envelope_db, "envelope_db")
    end = attack_end(level, hop_s)
    if end is None:
        return np.nan
    early = level[end + round(0.1 / hop_s) : end + round(0.25 / hop_s)]
    if early.size * hop_s < HELD_S or np.median(early) < held_level_db(level, hop_s) - 40:
        return np.nan
    return float(level[: end + round(HELD_S / hop_s) + 1].max() - np.median(early))


def held_level_db(envelope_db: ArrayLike, hop_s: float) -> float:
    """Return the highest level that is held for 50 ms, in dBFS: max over t of min(level[t : t + 50 ms]).

    One spike does not move it; a decaying note gives its level 50 ms after the peak. NaN for silence.
    """
    level = one_channel(envelope_db, "envelope_db")
    if not level.size:
        return np.nan
    held = minimum_filter1d(level, min(max(round(HELD_S / hop_s), 1), level.size), mode="nearest").max()
    return float(held) if held > SILENT_DB + 1 else np.nan


def sounding_length_s(
    envelope_db: ArrayLike, hop_s: float, drop_db: float = 20.0, onset_s: float = 0.0, hold_s: float = 0.1
) -> float:
    """Return the time from the onset to where the level falls ``drop_db`` below the held level, in seconds.

    The fall counts where the level stays below for ``hold_s`` (or to the envelope's end), interpolated in dB. The
    first such fall is taken: a noise in the tail does not lengthen the note.

    Parameters
    ----------
    envelope_db : array_like, shape (n,)
        Long enough to hold the fall.
    hop_s, drop_db, onset_s, hold_s : float

    Returns
    -------
    float
        Seconds; NaN for silence, and where the level does not fall that far.
    """
    level = one_channel(envelope_db, "envelope_db")[max(round(onset_s / hop_s), 0) :]
    mark = held_level_db(level, hop_s) - drop_db
    above = np.flatnonzero(level >= mark)
    if not above.size:
        return np.nan
    gaps = np.diff(np.append(above, level.size + round(hold_s / hop_s) + 1)) > round(hold_s / hop_s)
    last = above[np.argmax(gaps)]
    if last + 1 >= level.size:
        return np.nan
    step = (level[last] - mark) / max(level[last] - level[last + 1], 1e-12)
    return float(round(onset_s / hop_s) * hop_s - onset_s + (last + step) * hop_s)


def held_length_s(
    envelope_db: ArrayLike, hop_s: float, length_s: float, drop_db: float, onset_s: float = 0.0
) -> float:
    """Return the time from the onset to the last moment at which a note is played, in seconds.

    That is where the level is last within ``drop_db`` of its median over ``length_s`` from the onset on. The median,
    not the highest level, is the measure: a hard attack or a swell makes a note no shorter.

    Parameters
    ----------
    envelope_db : array_like, shape (n,)
    hop_s : float
    length_s : float
        How long the note sounds, as from ``sounding_length_s``: what comes later is tail.
    drop_db, onset_s : float

    Returns
    -------
    float
        Seconds; NaN for silence and for less than one step.
    """
    first = max(round(onset_s / hop_s), 0)
    level = one_channel(envelope_db, "envelope_db")[first:]
    sounding = level[: round(length_s / hop_s)]
    if not sounding.size or sounding.max() <= SILENT_DB + 1:
        return np.nan
    mark = np.median(sounding) - drop_db
    last = int(np.flatnonzero(sounding >= mark)[-1])
    after = level[min(last + 1, level.size - 1)]
    step = float(np.clip((level[last] - mark) / max(level[last] - after, 1e-12), 0.0, 1.0))
    return float((first + last + step) * hop_s - onset_s)


def theil_sen(time_s: ArrayLike, values: ArrayLike) -> float:
    """Return the median slope over all pairs of points, in units of ``values`` per second; NaN below 3 points.

    Values that are not finite are left out; more than 300 points are thinned evenly. Sen, JASA 63, 1968.
    """
    t, y = np.asarray(time_s, dtype=np.float64), np.asarray(values, dtype=np.float64)
    kept = np.flatnonzero(np.isfinite(y))
    kept = kept[:: max(1, -(-kept.size // SLOPE_POINTS))]
    if kept.size < 3:
        return np.nan
    first, second = np.triu_indices(kept.size, 1)
    return float(np.median((y[kept][second] - y[kept][first]) / (t[kept][second] - t[kept][first])))


def level_slope_db_s(envelope_db: ArrayLike, hop_s: float) -> float:
    """Return the robust slope of a segment of envelope (the sustain, a decay), in dB/s: negative where it falls."""
    level = one_channel(envelope_db, "envelope_db")
    return theil_sen(np.arange(level.size) * hop_s, level)


def release_s(
    envelope_db: ArrayLike, hop_s: float, end_s: float, floor_db: float = SILENT_DB, fall_db: float = 20.0
) -> float:
    """Return the time that the sound needs to fall ``fall_db`` after its sounding part, in seconds.

    release = fall_db / -slope; slope by least squares (as ISO 3382-1 does for decays) from ``end_s`` to the first
    level below max(level(end_s) - fall_db, floor_db + 6), so that a fall into the floor is extrapolated.

    Parameters
    ----------
    envelope_db : array_like, shape (n,)
    hop_s, end_s, floor_db, fall_db : float
        ``end_s`` from the envelope's first value; ``floor_db`` the level of the quiet around the note.

    Returns
    -------
    float
        Seconds; NaN where fewer than 3 values lie on the fall, it spans less than 3 dB, or the level does not fall.
    """
    level = one_channel(envelope_db, "envelope_db")
    level = level[max(round(end_s / hop_s), 0) :] if np.isfinite(end_s) else level[:0]
    if level.size < 3:
        return np.nan
    below = level < max(level[0] - fall_db, floor_db + 6)
    fall = level[: int(np.argmax(below)) if below.any() else len(level)]
    if len(fall) < 3 or fall[0] - min(fall) < 3:
        return np.nan
    slope = np.polyfit(np.arange(len(fall)) * hop_s, fall, 1)[0]
    return float(-fall_db / slope) if slope < 0 else np.nan


def steepest_fall_db(envelope_db: ArrayLike, hop_s: float, near_s: float) -> float:
    """Return the most that a level falls within 10 ms, starting at most 0.12 s from ``near_s``, in dB.

    A player's release takes its time, and a room fills in behind it; a note that is cut or choked falls at once.

    Parameters
    ----------
    envelope_db : array_like, shape (n,)
    hop_s, near_s : float
        ``near_s``, where the playing ends, from the envelope's first value.

    Returns
    -------
    float
        dB; NaN where ``near_s`` is unknown or the envelope does not reach so far.
    """
    level = one_channel(envelope_db, "envelope_db")
    step = max(round(FALL_S / hop_s), 1)
    if not np.isfinite(near_s):
        return np.nan
    level = level[max(round((near_s - FALL_AROUND_S) / hop_s), 0) : round((near_s + FALL_AROUND_S) / hop_s) + step]
    return float((level[:-step] - level[step:]).max()) if level.size > 2 * step else np.nan


def _at(values: Array, place: Array) -> Array:
    """Return values between the samples, in a straight line; ``place`` within 0 and the last index."""
    low = np.minimum(place.astype(int), values.size - 2)
    return values[low] + (values[low + 1] - values[low]) * (place - low)


def _ahead(values: Array, reach: float) -> Array:
    """Return the maximum of each value and the ``reach`` values after it."""
    size = round(reach) + 1
    return maximum_filter1d(values, size, origin=-(size // 2), mode="nearest")


def _upward(values: Array, mark: float) -> float:
    """Return the fractional index of the first upward crossing of ``mark``; NaN where the first value is above."""
    at = int(np.argmax(values >= mark))
    return at - (values[at] - mark) / (values[at] - values[at - 1]) if at else np.nan
