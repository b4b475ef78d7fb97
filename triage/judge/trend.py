"""A test for trend and a slope that a few bad values do not move: Mann-Kendall and Theil-Sen, from SciPy.

In: values in the order they were recorded, or with their times [shape=(n,)]; NaN is left out. Out: one ``Trend``.
Values must be independent of one another but for the trend: notes of one take are not, so give one value a take.
"""

from dataclasses import dataclass

import numpy as np

from triage.domain.errors import JudgeError

UNKNOWN = float("nan")
LEAST_N = 3  # with fewer values there is nothing to test


@dataclass(frozen=True)
class Trend:
    """What was found; every number NaN where there are fewer than 3 values or all times are equal."""

    tau: float  # Kendall's tau-b, -1 falling ... 1 rising
    p: float  # two-sided; of all orders counted where there are few values without ties
    slope: float  # median of all pairs' slopes, unit of the values per unit of the times
    low: float  # 95 % interval of the slope
    high: float
    n: int  # values used


def mann_kendall(values: np.ndarray, times: np.ndarray | None = None, confidence: float = 0.95) -> Trend:
    """Return the Mann-Kendall test for a monotonic trend and the Theil-Sen slope with its interval.

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
    Mann, Econometrica 13, 1945; Kendall, Rank Correlation Methods, 1970; Theil, 1950; Sen, JASA 63, 1968.
    """
    x, t = _checked(values, times, confidence)
    if len(x) < LEAST_N or np.ptp(t) == 0:
        return Trend(UNKNOWN, UNKNOWN, UNKNOWN, UNKNOWN, UNKNOWN, len(x))
    if np.ptp(x) == 0:
        return Trend(0.0, 1.0, 0.0, 0.0, 0.0, len(x))
    from scipy.stats import kendalltau, theilslopes  # late: it takes longer to load than a listing does

    test, line = kendalltau(t, x), theilslopes(x, t, confidence)
    slope, low, high = float(line.slope), float(line.low_slope), float(line.high_slope)
    return Trend(float(test.statistic), float(test.pvalue), slope, low, high, len(x))


def theil_sen_slope(values: np.ndarray) -> float:
    """Return the median of the slopes between all pairs of known values, a step apart each; NaN of fewer than two.

    References
    ----------
    Theil, 1950; Sen, JASA 63, 1968.
    """
    known = np.flatnonzero(np.isfinite(values))
    first, second = np.triu_indices(len(known), 1)
    if not len(first):
        return UNKNOWN
    rises = values[known[second]] - values[known[first]]
    return float(np.median(rises / (known[second] - known[first])))


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
