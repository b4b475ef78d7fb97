"""The pitch of an attack: whether another one speaks before the note's own, and how noisy the start is.

The samples of a note, one channel, full scale 1, and its pitch go in. Short windows of the first tenth of a second
are compared with what follows them a period later: where they repeat best is the period of what sounds there.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.signal import correlate

STARTS_S = (0.0, 0.012, 0.025, 0.04, 0.06)  # of the windows, after the onset
LEAST_S, LEAST_PERIODS = 0.03, 2.2  # their length
SPAN_CENTS = 720.0  # looked for on both sides: up to a fifth, as between neighbouring partials
OWN_PERIOD = 0.015  # relative: what still counts as the note's own period
CLEAR, CLEARER = 0.7, 0.05  # repeats so well, and so much better than at the note's own period
SOFT_DB = 20.0  # below the loudest window a sound is not yet the attack


class AttackPitch(NamedTuple):
    """What sounds first: cents away from the note (0: the note itself), and its noise against what repeats, in dB."""

    jump_cents: float
    noise_db: float


def attack_pitch(samples: NDArray[np.float64], rate_hz: int, onset_s: float, f0_hz: float) -> AttackPitch:
    """Return which other pitch an attack sounds, and how far it does not repeat with the note's period.

    r(lag) = sum x(t) x(t + lag) / sqrt(sum x(t)^2 sum x(t + lag)^2), t over a window; windows that lie SOFT_DB below
    the loudest are left out. Jump: the lag of the highest r against the period, of the window where that is furthest
    away, among those with r of CLEAR or more that is CLEARER than at the note's own. Noise: 10 log10((1 - r) / r), r
    the lowest at the own period: another partial, a scoop and breath all raise it.

    Parameters
    ----------
    samples : ndarray, shape (sample,)
    rate_hz : int
    onset_s, f0_hz : float
        ``onset_s`` from the first sample.

    Returns
    -------
    AttackPitch
        NaN without a pitch, and where no window has what follows it.
    """
    samples = samples - samples.mean() if samples.size else samples  # an offset would repeat with any period
    windows = [found for start_s in STARTS_S if (found := _window(samples, rate_hz, onset_s + start_s, f0_hz))]
    loudest = max((one.power for one in windows), default=0.0)
    if not loudest > 0:
        return AttackPitch(np.nan, np.nan)
    heard = [one for one in windows if one.power > loudest * 10 ** (-SOFT_DB / 10)]
    jumps = [one.cents for one in heard if one.best >= CLEAR and one.best - one.own > CLEARER]
    own = float(np.clip(min(one.own for one in heard), 0.01, 0.999))
    return AttackPitch(max(jumps, key=abs, default=0.0), float(10 * np.log10((1 - own) / own)))


class _Window(NamedTuple):
    cents: float  # of the period at which it repeats best
    best: float
    own: float  # r at the note's own period
    power: float


def _window(samples: NDArray[np.float64], rate_hz: int, start_s: float, f0_hz: float) -> _Window | None:
    if not f0_hz > 0:
        return None
    period = rate_hz / f0_hz
    size = round(max(LEAST_S * rate_hz, LEAST_PERIODS * period))
    ratio = 2 ** (SPAN_CENTS / 1200)
    lags = np.arange(int(period / ratio), int(period * ratio) + 2)
    part = samples[round(start_s * rate_hz) :][: size + lags[-1]]
    if len(part) < size + lags[-1] or not part[:size].any():
        return None
    energy = np.concatenate([[0.0], np.cumsum(part**2)])
    product = correlate(part, part[:size], "valid", method="fft")[lags]
    r = product / np.sqrt(np.maximum(energy[size] * (energy[lags + size] - energy[lags]), 1e-30))
    at = int(r.argmax())
    own = np.abs(lags - period) <= max(OWN_PERIOD * period, 1.0)
    return _Window(
        1200 * np.log2(period / (lags[at] + _peak(r, at))), float(r[at]), float(r[own].max()), energy[size]
    )


def _peak(values: NDArray[np.float64], at: int) -> float:
    """Return where between the samples the maximum at ``at`` lies, from -0.5 to 0.5: a parabola through three."""
    if not 0 < at < len(values) - 1:
        return 0.0
    before, top, after = values[at - 1 : at + 2]
    bend = before - 2 * top + after
    return float(0.5 * (before - after) / bend) if bend < 0 else 0.0
