"""Unheard rejects: how many are still among the takes that nobody has heard, from a random sample of the tail.

The ranked queue is heard from its head, so what was heard is no estimate for its tail: the takes from the first
unheard one on. A small random sample of the tail is one: its takes were chosen whatever they sound like.
"""

from bisect import bisect_left
from typing import NamedTuple

import numpy as np
from scipy.stats import hypergeom

from triage.domain.errors import JudgeError

UNSEEN_SHARE = 0.05  # of a session's takes: that many rejects a sample may overlook


class Tail(NamedTuple):
    """Sums over the takes of the tail; the sample is part of it, and heard."""

    takes: int
    doubt: float  # sum of the doubts
    unheard: int
    rejected: int  # of those heard
    sampled: int
    sampled_doubt: float
    sampled_rejected: int


class RejectEstimate(NamedTuple):
    """Rejects still unheard: the estimate, and an interval that holds the truth with the level asked for."""

    expected: float
    low: int
    high: int
    unheard: int  # takes that nobody has heard
    sampled: int  # takes of the tail that were in the random sample and heard


def tail_of(doubt: np.ndarray, reject: np.ndarray, sampled: np.ndarray) -> Tail:
    """Return the sums that the estimate needs.

    Parameters
    ----------
    doubt : ndarray, shape (take,)
        Doubts, 0 to 1, of all takes of the tail.
    reject : ndarray, shape (take,)
        1 rejected, 0 accepted, NaN not heard.
    sampled : ndarray of bool, shape (take,)
        In the random sample and heard.

    Raises
    ------
    JudgeError
        If a doubt is not within 0 and 1, or a sampled take was not heard.
    """
    p, y, in_sample = np.asarray(doubt, float), np.asarray(reject, float), np.asarray(sampled, bool)
    if not ((p >= 0) & (p <= 1)).all():
        raise JudgeError(f"doubts must lie within 0 and 1, found {np.nanmin(p):g} to {np.nanmax(p):g}")
    if np.isnan(y[in_sample]).any():
        raise JudgeError("a take of the random sample has no verdict: only takes that were heard count as sampled")
    summed = p if in_sample.any() else p[np.isnan(y)]
    return Tail(
        len(p),
        float(summed.sum()),
        int(np.isnan(y).sum()),
        int(np.nansum(y)),
        int(in_sample.sum()),
        float(p[in_sample].sum()),
        int(y[in_sample].sum()),
    )


def rejects_unheard(tail: Tail, level: float = 0.95) -> RejectEstimate:
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
    tail : Tail
        Without a sample its ``doubt`` counts for the unheard takes alone.
    level : float
        Coverage, between 0 and 1.

    Returns
    -------
    RejectEstimate
        ``expected`` is not clipped, or it would be biased: with a small sample it can be below 0.

    References
    ----------
    Cochran, Sampling Techniques, 3rd ed. 1977, difference estimators and hypergeometric limits (from memory).
    """
    if not tail.unheard:
        return RejectEstimate(0.0, 0, 0, 0, tail.sampled)
    if not tail.sampled:
        return RejectEstimate(tail.doubt, 0, tail.unheard, tail.unheard, 0)
    total = tail.doubt + tail.takes * (tail.sampled_rejected - tail.sampled_doubt) / tail.sampled
    low, high = _limits(tail.takes, tail.sampled, tail.sampled_rejected, 1 - level)
    least, most = (int(np.clip(limit - tail.rejected, 0, tail.unheard)) for limit in (low, high))
    return RejectEstimate(float(total - tail.rejected), least, most, tail.unheard, tail.sampled)


def may_stop(estimate: RejectEstimate | None, doubts: float, bound: float, takes: int) -> bool:
    """Tell whether a person may stop hearing a session: by its doubts, and only where a random sample agrees.

    It agrees where both its estimate and the sum of the doubts are within the bound, and where it is large enough to
    say so: the upper end of its interval lies within the bound, or within ``UNSEEN_SHARE`` of all takes. Without any
    reject in it that takes about 3 / UNSEEN_SHARE takes (the rule of three), fewer where little is left.

    Parameters
    ----------
    estimate : RejectEstimate or None
        None where no take was heard as a random sample.
    doubts : float
        Sum of the doubts of what the person has not heard.
    bound : float
        Rejects that the person is content to leave unheard.
    takes : int
        In the session.
    """
    if estimate is None or not estimate.sampled:
        return False
    return max(doubts, estimate.expected) <= bound and estimate.high <= max(bound, UNSEEN_SHARE * takes)


def _limits(tail: int, sampled: int, found: int, alpha: float) -> tuple[int, int]:
    """Return the least and the greatest number of rejects in the tail that the sample's count is consistent with."""
    every = range(found, tail - sampled + found + 1)
    # The more rejects there are, the likelier so many in the sample, the less likely so few: bisection finds both.
    few = bisect_left(every, True, key=lambda k: bool(hypergeom.sf(found - 1, tail, k, sampled) > alpha / 2))
    many = bisect_left(every, True, key=lambda k: bool(hypergeom.cdf(found, tail, k, sampled) <= alpha / 2))
    return every[few], every[many - 1]
