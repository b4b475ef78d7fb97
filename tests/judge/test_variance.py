import warnings

import numpy as np
import pandas
import pytest
from statsmodels.formula.api import mixedlm

from tests.judge.strd import SETS
from triage.domain.errors import JudgeError
from triage.judge.reml import draw, fit, prepare
from triage.judge.variance import spread


def dummies(labels):
    return (np.asarray(labels)[:, None] == np.unique(labels)).astype(float)


@pytest.mark.parametrize("name", SETS)
def test_a_balanced_layout_gives_the_certified_mean_squares(name):
    # In a balanced one-way layout REML is the analysis of variance: v_rest = MS within, n v + v_rest = MS between.
    groups, between, within, tolerance = SETS[name]
    label = np.repeat(np.arange(len(groups)), groups.shape[1])
    found = fit(prepare(groups.ravel(), np.ones((groups.size, 1)), [dummies(label)])).variances
    assert found[1] == pytest.approx(within, rel=tolerance)
    assert groups.shape[1] * found[0] + found[1] == pytest.approx(between, rel=tolerance)


@pytest.mark.parametrize("seed", range(3))
def test_crossed_factors_and_a_slope_agree_with_statsmodels(seed):
    rng = np.random.default_rng(seed)
    a, b, x = rng.integers(0, 10, 160), rng.integers(0, 7, 160), rng.normal(size=160)
    y = 2 * x + 1.5 * rng.normal(size=10)[a] + 0.7 * rng.normal(size=7)[b] + rng.normal(size=160)
    found = fit(prepare(y, np.column_stack([np.ones(160), x]), [dummies(a), dummies(b)])).variances
    data = pandas.DataFrame({"y": y, "x": x, "a": a, "b": b, "one": 1})
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of its optimiser, about the edge of what it tried on its way
        crossed = {"a": "0 + C(a)", "b": "0 + C(b)"}
        other = mixedlm("y ~ x", data, groups="one", vc_formula=crossed, re_formula="0").fit(reml=True)
    assert found == pytest.approx([*other.vcomp, other.scale], rel=2e-3)


def test_a_factor_that_does_nothing_gets_a_variance_of_nothing_or_next_to_it():
    rng = np.random.default_rng(0)
    found = [fit(prepare(rng.normal(size=100), np.ones((100, 1)), [dummies(np.arange(100) % 10)])) for _ in range(20)]
    least = np.array([one.variances[0] for one in found])
    assert (least >= 0).all() and (least == 0).any() and least.mean() < 0.06


def test_draws_of_the_effects_lie_about_their_predictions():
    rng = np.random.default_rng(1)
    label = np.arange(60) % 6
    design = prepare(rng.normal(size=6)[label] + rng.normal(size=60), np.ones((60, 1)), [dummies(label)])
    found = fit(design)
    sampled = draw(design, found.variances, rng, 2000)
    assert sampled.mean(axis=1) == pytest.approx(found.effects, abs=0.04)


def test_leading_digits_and_unit_do_not_matter():
    rng = np.random.default_rng(2)
    label = np.arange(60) % 6
    y = rng.normal(size=6)[label] + rng.normal(size=60)
    plain, far = (fit(prepare(v, np.ones((60, 1)), [dummies(label)])).variances for v in (y, 1e6 + 10 * y))
    assert far == pytest.approx(100 * plain, rel=1e-6)


def played(rng, register=1.0, day=0.0, noise=0.5, days=2, dynamics=("mf",), exact=True):
    """Notes of two or more days, all pitches each day: value, pitch, dynamic, factors, true share of each factor.

    Where exact, what the noise happens to do to register and days is taken out: the shares are then as planted.
    """
    tone = np.arange(24)
    slope = (tone - tone.mean()) / tone.std()
    rows = [(d, p, w, r) for d in range(days) for w in dynamics for p in tone for r in range(3)]
    d, p, w, r = (np.array(column) for column in zip(*rows, strict=True))
    place = np.arange(days) - (days - 1) / 2
    parts = {"register": register * slope[p], "day": day * (place / place.std())[d] if days > 1 else 0 * p}
    scatter = noise * rng.normal(size=len(p))
    if exact:
        base = np.column_stack([slope[p], dummies(d), dummies(w)])
        scatter -= base @ np.linalg.lstsq(base, scatter, rcond=None)[0]
    values = parts["register"] + parts["day"] + scatter + 3.0 * (w == "ff")
    labels = np.char.add("day", d.astype(str))
    factors = {"day": labels, "repetition": r.astype(str)}
    total = register**2 + day**2 + noise**2
    return values, 50.0 + p, w, factors, {"register": register**2 / total, "day": day**2 / total}


@pytest.mark.parametrize("register, day", [(1.0, 0.0), (0.0, 1.0), (0.7, 0.7), (0.3, 1.0), (0.0, 0.0)])
def test_planted_shares_are_found_within_five_points(register, day):
    for seed in range(3):
        *notes, truth = played(np.random.default_rng(seed), register, day, dynamics=("mf", "ff"))
        found = {one.factor: one for one in spread(*notes).shares}
        for factor, share in truth.items():
            assert found[factor].share == pytest.approx(share, abs=0.05)
        assert sum(one.share for one in found.values() if not one.why_not) == pytest.approx(1.0)


def test_intervals_cover_what_was_injected_at_about_their_nominal_rate():
    held = []
    for seed in range(30):
        *notes, truth = played(np.random.default_rng(seed), 0.5, 0.5, exact=False)
        found = {one.factor: one for one in spread(*notes).shares}
        held += [found[factor].low <= share <= found[factor].high for factor, share in truth.items()]
    assert np.mean(held) > 0.8  # of 90 % intervals


def test_the_effect_of_a_day_has_its_sign_and_size():
    values, pitch, dynamic, factors, _ = played(np.random.default_rng(0), register=0.3, day=1.0)
    effects = dict(next(s for s in spread(values, pitch, dynamic, factors).shares if s.factor == "day").effects)
    assert effects["day1"] - effects["day0"] == pytest.approx(2.0, abs=0.1)


def test_the_register_curve_follows_what_was_planted():
    values, pitch, dynamic, factors, _ = played(np.random.default_rng(0), register=1.0)
    curve = spread(values, pitch, dynamic, factors).curve
    tones, heights = np.array(curve).T
    planted = (tones - tones.mean()) / tones.std()
    assert np.corrcoef(heights, planted)[0, 1] > 0.97
    assert heights == pytest.approx(planted, abs=0.5)


def test_a_factor_of_one_level_is_undetermined():
    values, pitch, dynamic, factors, _ = played(np.random.default_rng(0), days=1)
    found = next(s for s in spread(values, pitch, dynamic, factors).shares if s.factor == "day")
    assert np.isnan(found.share) and found.why_not == "only one day"


def test_factors_that_change_together_are_confounded():
    values, pitch, dynamic, factors, _ = played(np.random.default_rng(0), day=1.0)
    both = {"day": factors["day"], "session": np.char.add("s", factors["day"])}
    found = {s.factor: s for s in spread(values, pitch, dynamic, both).shares}
    assert found["session"].why_not == "changes whenever the day does" and found["day"].share > 0.4


def test_a_factor_that_two_others_together_account_for_is_undetermined():
    values, pitch, dynamic, factors, _ = played(np.random.default_rng(0), days=3)
    day = factors["day"]
    setup = np.where(day == "day0", "A", "B")
    nested = {"set-up": setup, "day": day, "session": day}
    found = {s.factor: s for s in spread(values, pitch, dynamic, nested).shares}
    assert not found["set-up"].why_not and not found["day"].why_not
    assert found["session"].why_not == "changes whenever the day does"
    crossed = {"day": day, "set-up": setup}  # once the days are known, nothing of the set-up is left
    assert spread(values, pitch, dynamic, crossed).shares[-2].why_not == "cannot be told apart from day"


def test_a_few_wild_notes_do_not_pass_for_spread():
    values, pitch, dynamic, factors, truth = played(np.random.default_rng(3))
    wild = values.copy()
    wild[[5, 60, 130]] += [20, -15, 30]
    found = spread(wild, pitch, dynamic, factors)
    assert np.flatnonzero(found.outliers).tolist() == [5, 60, 130]
    share = next(s.share for s in found.shares if s.factor == "register")
    assert share == pytest.approx(truth["register"], abs=0.05)


@pytest.mark.parametrize("values, why", [([np.nan] * 40, "only 0 notes"), ([1.0] * 40, "all notes are equal")])
def test_nothing_to_partition_gives_a_reason(values, why):
    notes = np.arange(40.0) % 10, np.full(40, "mf"), {"day": np.full(40, "a")}
    found = spread(np.array(values), *notes)
    assert found.why_not == why and found.shares == ()


def test_what_cannot_be_partitioned_is_refused():
    with pytest.raises(JudgeError, match="a label of every factor"):
        spread(np.zeros(3), np.zeros(3), np.full(3, "f"), {"day": np.full(2, "a")})
    with pytest.raises(JudgeError, match="finite or NaN"):
        spread(np.full(3, np.inf), np.zeros(3), np.full(3, "f"), {})
    with pytest.raises(JudgeError, match="more values than columns"):
        prepare(np.ones(2), np.eye(2), [])


@pytest.mark.parametrize("seed", range(6))
def test_no_effect_lies_beyond_the_notes_it_is_said_of(seed):
    """Two sessions whose factors nearly coincide, a few wild notes: what cannot be told is not told."""
    rng = np.random.default_rng(seed)
    n = 60
    session = np.repeat(["a", "b"], n // 2)
    pitch = np.where(session == "a", rng.integers(50, 56, n), rng.integers(55, 62, n)).astype(float)
    take = np.array([f"{s}{k // 6}" for k, s in enumerate(session)])
    repetition = np.array([str(1 + k % 3) for k in range(n)])
    repetition[rng.integers(0, n)] = "4"
    values = rng.standard_normal(n) * 0.1 - 1.0
    values[rng.integers(0, n, 4)] += rng.choice([-5.0, 5.0], 4)
    factors = {"session": session, "take": take, "repetition": repetition}
    found = spread(values, pitch, np.full(n, "ff"), factors)
    low, high = found.span
    assert values.min() <= low <= high <= values.max()
    kept = ~found.outliers
    away = values - np.median(values[kept])
    for share in found.shares:
        for level, effect in share.effects if share.factor in factors else ():
            mine = away[kept & (factors[share.factor] == level)]
            assert min(0.0, mine.min()) - found.sigma <= effect <= max(0.0, mine.max()) + found.sigma


def test_a_factor_that_these_notes_cannot_tell_is_named_instead_of_a_number(monkeypatch):
    from triage.judge import variance

    rng = np.random.default_rng(1)
    take = np.repeat([f"T{k}" for k in range(8)], 6)
    values, pitch = rng.standard_normal(48) * 0.1, np.tile(np.arange(50.0, 56.0), 8)
    real = variance._effects
    monkeypatch.setattr(variance, "_effects", lambda block, u: (real(block, u)[0], (("T1", 9.0),)))
    found = spread(values, pitch, np.full(48, "ff"), {"take": take})
    (untold,) = (share for share in found.shares if share.factor == "take")
    assert untold.why_not == "it cannot be told from the others in these notes" and np.isnan(untold.share)
