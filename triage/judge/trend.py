"""A test for trend and a slope that a few bad values do not move.

In: values in the order they were recorded, or with their times [shape=(n,)]; NaN is left out. Out: one ``Trend``.
Values must be independent of one another but for the trend: notes of one take are not, so give one value a take.
"""

from dataclasses import dataclass

import numpy as np
from scipy.stats import norm

from triage.domain.errors import JudgeError

EXACT_N = 40  # up to so many values without ties p is counted, not approximated, as Gilbert's table goes
UNKNOWN = float("nan")
LEAST_N = 3  # with fewer values there is nothing to test


@dataclass(frozen=True)
class Trend:
    """What was found; every number NaN where there are fewer than 3 values or all times are equal."""

    tau: float  # Kendall's tau-b, -1 falling ... 1 rising
    s: float  # pairs that rise less pairs that fall
    z: float  # s in its standard deviations, one pair nearer to 0
    p: float  # two-sided
    slope: float  # median of all pairs' slopes, unit of the values per unit of the times
    low: float  # 95 % interval of the slope
    high: float
    n: int  # values used


def mann_kendall(values: np.ndarray, times: np.ndarray | None = None, confidence: float = 0.95) -> Trend:
    """Return the Mann-Kendall test for a monotonic trend and the Theil-Sen slope with its interval.

    S = sum_{i<j} sign(t_j - t_i) sign(x_j - x_i);  Z = (S - sign(S)) / sqrt(Var S), Var S corrected for ties in
    values and times. p is exact (number of permutations with at least as many pairs in order) for n <= 40 without
    ties, else from Z. slope = median over pairs with t_i != t_j of (x_j - x_i) / (t_j - t_i); its interval are the
    ordered slopes of ranks (N - C) / 2 and (N + C) / 2 + 1, C = z_{1 - alpha/2} sqrt(Var S), N the number of slopes.

    Parameters
    ----------
    values : ndarray, shape (n,)
        One measurement; NaN left out. All pairs are held at once: some thousands of values at most.
    times : ndarray, shape (n,), optional
        When, in any unit and order; 0, 1, 2 ... where None.
    confidence : float
        Of the slope's interval, between 0 and 1.

    Returns
    -------
    Trend

    Raises
    ------
    JudgeError
        If values and times differ in length, one is infinite, or the confidence is not between 0 and 1.

    References
    ----------
    Mann, Econometrica 13, 1945; Kendall, Rank Correlation Methods, 1970 (variance with ties in both); Theil, 1950;
    Sen, JASA 63, 1968; Gilbert, Statistical Methods for Environmental Pollution Monitoring, 1987, chapter 16
    (interval; read from memory).
    """
    x, t = _checked(values, times, confidence)
    n = len(x)
    if n < LEAST_N or np.ptp(t) == 0:
        return Trend(UNKNOWN, UNKNOWN, UNKNOWN, UNKNOWN, UNKNOWN, UNKNOWN, UNKNOWN, n)
    first, second = np.triu_indices(n, 1)
    dx, dt = x[second] - x[first], t[second] - t[first]
    s = float((np.sign(dx) * np.sign(dt)).sum())
    variance = _variance(x, t)
    z = float((s - np.sign(s)) / np.sqrt(variance)) if variance > 0 else 0.0
    tied = len(np.unique(x)) < n or len(np.unique(t)) < n
    p = _exact_p(abs(int(s)), n) if n <= EXACT_N and not tied else float(2 * norm.sf(abs(z)))
    paired = float(np.sqrt((dx != 0).sum() * (dt != 0).sum()))
    slopes = np.sort(dx[dt != 0] / dt[dt != 0])
    reach = norm.ppf((1 + confidence) / 2) * np.sqrt(max(variance, 0.0))
    low, high = _ranked(slopes, (len(slopes) - reach) / 2), _ranked(slopes, (len(slopes) + reach) / 2 + 1)
    return Trend(s / paired if paired else 0.0, s, z, p, float(np.median(slopes)), low, high, n)


def _checked(values: np.ndarray, times: np.ndarray | None, confidence: float) -> tuple[np.ndarray, np.ndarray]:
    """Return the values that are known with their times, in order of time."""
    x = np.asarray(values, dtype=float)
    t = np.arange(len(x), dtype=float) if times is None else np.asarray(times, dtype=float)
    if x.ndim != 1 or x.shape != t.shape:
        raise JudgeError(f"values {x.shape} and times {t.shape} must be of one length, a time for each value")
    if np.isinf(x).any() or np.isinf(t).any():
        raise JudgeError("a value or a time is infinite; expected finite or NaN (log of 0?)")
    if not 0 < confidence < 1:
        raise JudgeError(f"confidence is {confidence:g}; expected between 0 and 1, such as 0.95")
    known = np.isfinite(x) & np.isfinite(t)
    order = np.argsort(t[known], kind="stable")
    return x[known][order], t[known][order]


def _variance(x: np.ndarray, t: np.ndarray) -> float:
    """Return Var S for n >= 3 when nothing is going on, with groups of u equal values and v equal times."""
    n = float(len(x))
    u, v = (np.unique(a, return_counts=True)[1].astype(float) for a in (x, t))
    free = n * (n - 1) * (2 * n + 5)
    for size in (u, v):
        free -= (size * (size - 1) * (2 * size + 5)).sum()
    triples = (u * (u - 1) * (u - 2)).sum() * (v * (v - 1) * (v - 2)).sum()
    pairs = (u * (u - 1)).sum() * (v * (v - 1)).sum()
    return float(free / 18 + triples / (9 * n * (n - 1) * (n - 2)) + pairs / (2 * n * (n - 1)))


def _exact_p(s: int, n: int) -> float:
    """Return the share of the n! orders whose |S| is at least s: inversions counted by adding one value at a time."""
    share = np.ones(1)  # of orders of k values with 0, 1, 2 ... pairs out of order
    for k in range(2, n + 1):
        share = np.convolve(share, np.full(k, 1.0 / k))
    sums = n * (n - 1) / 2 - 2 * np.arange(len(share))
    return float(min(1.0, share[np.abs(sums) >= s].sum()))


def _ranked(ordered: np.ndarray, rank: float) -> float:
    """Return the value of a rank from 1, between two values in proportion, at the ends the last one."""
    return float(np.interp(rank, np.arange(1, len(ordered) + 1), ordered))
