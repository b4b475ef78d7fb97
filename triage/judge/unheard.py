"""Unheard: how many rejects are still among the takes that nobody has heard, from a random sample of the tail.

The ranked queue is heard from its head, so what was heard says little of its tail: the takes from the first unheard
one on. A small random sample of the tail does: which takes are in it was drawn by lot, whatever they sound like.
"""

from typing import NamedTuple

import numpy as np
from scipy.stats import hypergeom

from triage.errors import JudgeError


class Unheard(NamedTuple):
    """Rejects still unheard: the estimate, and an interval that holds the truth with the level asked for."""

    expected: float
    low: int
    high: int
    unheard: int  # takes that nobody has heard
    sampled: int  # takes of the tail that were drawn by lot and heard


def rejects_unheard(doubt: np.ndarray, reject: np.ndarray, sampled: np.ndarray, level: float = 0.95) -> Unheard:
    """Estimate how many of the unheard takes are rejects.

    With N takes in the tail, p their doubts, y the verdicts of those heard, and s the sample:

    rejects of the tail T = sum_N p + N * mean_s(y - p)        (difference estimator)
    unheard = T - rejects heard in the tail, by whatever way they came to be heard

    The sample being random, T is unbiased whatever the doubts are worth, as long as they were not fitted to the
    sample's own verdicts. Without a sample the unheard takes' doubts are added up. The interval is exact and does
    not use the doubts: all numbers of rejects in N for which the sample's count is within both (1 - level) / 2 tails
    of the hypergeometric distribution, less those heard.

    Parameters
    ----------
    doubt : ndarray, shape (tail,)
        Doubts, 0 to 1, of all takes of the tail.
    reject : ndarray, shape (tail,)
        1 rejected, 0 accepted, NaN not heard.
    sampled : ndarray of bool, shape (tail,)
        Drawn by lot and heard.
    level : float
        Coverage, between 0 and 1.

    Returns
    -------
    Unheard
        ``expected`` is not clipped, or it would be biased: with a small sample it can be below 0.

    Raises
    ------
    JudgeError
        If a doubt is not within 0 and 1, or a sampled take was not heard.

    References
    ----------
    Cochran, Sampling Techniques, 3rd ed. 1977, difference estimators and hypergeometric limits (from memory).
    """
    p, y, drawn = np.asarray(doubt, float), np.asarray(reject, float), np.asarray(sampled, bool)
    if not ((p >= 0) & (p <= 1)).all():
        raise JudgeError(f"doubts must lie within 0 and 1, found {np.nanmin(p):g} to {np.nanmax(p):g}")
    if np.isnan(y[drawn]).any():
        raise JudgeError("a take of the random sample has no verdict: only takes that were heard count as sampled")
    unheard, known = int(np.isnan(y).sum()), int(np.nansum(y))
    if not unheard:
        return Unheard(0.0, 0, 0, 0, int(drawn.sum()))
    if not drawn.any():
        return Unheard(float(p[np.isnan(y)].sum()), 0, unheard, unheard, 0)
    total = p.sum() + len(p) * float(np.mean(y[drawn] - p[drawn]))
    low, high = _limits(len(p), int(drawn.sum()), int(y[drawn].sum()), 1 - level)
    least, most = (int(np.clip(limit - known, 0, unheard)) for limit in (low, high))
    return Unheard(float(total - known), least, most, unheard, int(drawn.sum()))


def _limits(tail: int, sampled: int, found: int, alpha: float) -> tuple[int, int]:
    """Return the least and the greatest number of rejects in the tail that the sample's count speaks for."""
    counts = np.arange(found, tail - sampled + found + 1)
    at_most, at_least = hypergeom.cdf(found, tail, counts, sampled), hypergeom.sf(found - 1, tail, counts, sampled)
    fits = counts[(at_most > alpha / 2) & (at_least > alpha / 2)]
    return int(fits[0]), int(fits[-1])
