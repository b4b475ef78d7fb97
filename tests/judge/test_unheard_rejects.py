"""The estimate of rejects still unheard: unbiased, and its interval covers, by simulation."""

import numpy as np
import pytest
from scipy.stats import hypergeom

from triage.domain.errors import JudgeError
from triage.judge.unheard_rejects import Tail, may_stop, rejects_unheard, tail_of


def heard_to_the_middle(rng, bias, informative):
    """400 takes: doubts off by a factor ``bias``; the head was heard in order, some of the tail at random and
    some as most informative (the most uncertain ones that the random sample lacked)."""
    doubt = np.sort(rng.beta(0.4, 3.0, 400))[::-1]
    truth = (rng.random(400) < np.clip(doubt * bias, 0, 1)).astype(float)
    tail = np.arange(150, 400)
    sampled = np.isin(tail, rng.choice(tail, 40, replace=False))
    uncertain = np.argsort(np.abs(doubt[tail] - 0.5) + sampled)[:informative]
    reject = np.where(sampled | np.isin(np.arange(250), uncertain), truth[tail], np.nan)
    return doubt[tail], reject, sampled, truth[tail][np.isnan(reject)].sum()


@pytest.mark.parametrize("bias, informative", [(1.0, 0), (0.4, 30), (2.0, 30)])
def test_the_estimate_is_unbiased_and_covers_whatever_the_doubts_are_worth(bias, informative):
    rng = np.random.default_rng(5)
    off, covered, runs = [], 0, 500
    for _ in range(runs):
        doubt, reject, sampled, truth = heard_to_the_middle(rng, bias, informative)
        found = rejects_unheard(tail_of(doubt, reject, sampled))
        off.append(found.expected - truth)
        covered += found.low <= truth <= found.high
    # 3.3 standard errors of the mean; exact intervals are conservative: 95 % is the least (less 3 standard errors).
    assert abs(np.mean(off)) < 3.3 * np.std(off) / np.sqrt(runs)
    assert covered / runs >= 0.95 - 3 * np.sqrt(0.05 * 0.95 / runs)


def test_without_a_sample_the_doubts_stand_alone_and_the_interval_is_everything():
    found = rejects_unheard(tail_of(np.array([0.2, 0.1, 0.3]), np.full(3, np.nan), np.zeros(3, bool)))
    assert found.expected == pytest.approx(0.6)
    assert (found.low, found.high) == (0, 3)


def test_none_found_in_a_sample_bounds_the_rest_as_the_tables_do():
    # 0 misses in 300 bounds the miss rate at 1.2 % two-sided (exact binomial, 95 %): from a tail of 30,000 the
    # hypergeometric bound must come to the same.
    reject = np.full(30_000, np.nan)
    reject[:300] = 0
    found = rejects_unheard(tail_of(np.full(30_000, 0.01), reject, np.arange(30_000) < 300))
    assert found.high / 29_700 == pytest.approx(0.012, abs=5e-4)
    assert hypergeom.cdf(0, 30_000, found.high + 1, 300) <= 0.025


def test_a_tail_heard_whole_leaves_nothing_to_estimate():
    found = rejects_unheard(tail_of(np.full(5, 0.5), np.array([1.0, 0, 0, 1, 0]), np.array([1, 1, 0, 0, 0], bool)))
    assert (found.expected, found.low, found.high) == (0.0, 0, 0)


def test_what_cannot_be_is_refused():
    with pytest.raises(JudgeError, match="within 0 and 1"):
        tail_of(np.array([1.2]), np.array([np.nan]), np.zeros(1, bool))
    with pytest.raises(JudgeError, match="has no verdict"):
        tail_of(np.array([0.2]), np.array([np.nan]), np.ones(1, bool))


def test_one_may_stop_only_where_a_sample_of_sufficient_size_agrees():
    """No reject in n of 1000 takes: at most 1 - 0.025^(1/n) of them are rejects (binomial, a bound from above)."""

    def asked(sampled, rejects, doubts=0.5, bound=1.0):
        tail = Tail(1000, 0.5, 1000 - sampled, rejects, sampled, 0.5 * sampled / 1000, rejects)
        return may_stop(rejects_unheard(tail), doubts, bound, 1000)

    assert not may_stop(None, 0.0, 1.0, 1000)
    enough = int(np.ceil(np.log(0.025) / np.log(1 - 0.05)))  # 72
    assert asked(enough, 0) and not asked(40, 0)
    assert not asked(enough, 3)  # it disagrees: some 40 rejects are left
    assert not asked(enough, 0, doubts=1.5)
    assert asked(enough, 0, doubts=1.5, bound=2.0)
