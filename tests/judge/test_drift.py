import numpy as np
import pytest

from triage.domain.errors import JudgeError
from triage.judge.drift import Day, drift, holm


def played(rng, per_hour=0.0, takes=30, notes=6, shuffled=True, setups=1):
    """Cents of a day from 10 to 13 o'clock: register 0.5 cents a semitone, takes of their own, scatter of 3 cents."""
    order = rng.permutation(takes) if shuffled else np.arange(takes)
    take = np.repeat(np.arange(takes), notes)
    hours = 10.0 + 3.0 * take / (takes - 1)
    pitch = 50.0 + order[take] + rng.integers(0, 3, len(take))
    setup = (take * setups // takes).astype(str)
    values = per_hour * (hours - 10) + 0.5 * pitch + rng.normal(0, 1.0, takes)[take] + rng.normal(0, 3.0, len(take))
    names = np.array([f"T{t:03d}" for t in take])
    return values, Day(hours, names, np.full(len(take), "staccato mf"), setup, pitch)


def test_a_planted_rise_is_found_with_its_size():
    found = [drift(*played(np.random.default_rng(seed), per_hour=2.0)) for seed in range(8)]
    assert all(one.trend.p < 0.01 and one.adjusted for one in found)
    assert np.mean([one.change for one in found]) == pytest.approx(6.0, abs=0.8)
    assert (found[0].first_h, found[0].last_h, len(found[0].takes)) == (10.0, 13.0, 30)


def test_without_a_drift_few_days_show_one():
    p = [drift(*played(np.random.default_rng(seed))).trend.p for seed in range(120)]
    assert np.mean(np.array(p) < 0.05) < 0.1


def test_notes_of_a_take_do_not_count_as_independent():
    # Six takes differ by chance, thirty notes each agree with their take: as notes a trend, as takes none.
    take = np.repeat(np.arange(6), 30)
    values = np.array([0.0, 3.0, 1.0, 4.0, 2.0, 3.5])[take] + np.random.default_rng(0).normal(0, 0.1, 180)
    day = Day(10.0 + take, take.astype(str), np.full(180, "a"), np.full(180, ""), np.tile(np.arange(60.0, 66.0), 30))
    assert drift(values, day).trend.p > 0.05


def test_a_scale_played_upward_is_no_drift():
    values, day = played(np.random.default_rng(1), shuffled=False)
    found = drift(values, day)
    assert found.trend is None and found.why_not == "what was played changed along with the clock"
    as_it_stands = drift(values, day, absolute=True)
    assert as_it_stands.trend.p < 0.01 and not as_it_stands.adjusted


def test_a_new_seat_is_a_step_and_no_drift():
    values, day = played(np.random.default_rng(2), setups=2)
    moved = values + 20.0 * (day.setup == "1")
    assert drift(moved, day).trend.p == pytest.approx(drift(values, day).trend.p)
    rising, day = played(np.random.default_rng(3), per_hour=4.0, setups=2)
    assert drift(rising + 20.0 * (day.setup == "1"), day).change == pytest.approx(12.0, abs=4.0)


def test_a_rise_over_very_many_takes_is_found_on_some_of_them():
    values, day = played(np.random.default_rng(5), per_hour=2.0, takes=2500, notes=2)
    found = drift(values, day)
    assert len(found.takes) == 2500 and found.trend.n <= 1000
    assert found.change == pytest.approx(6.0, abs=0.8)


def test_too_few_takes_and_equal_values_give_a_reason():
    values, day = played(np.random.default_rng(4), takes=4)
    assert drift(values, day).why_not == "only 4 takes"
    values, day = played(np.random.default_rng(4))
    assert drift(np.full(len(values), 0.02), day).why_not == "all values are equal"
    empty = Day(*(np.zeros(0) for _ in range(5)))
    assert drift(np.zeros(0), empty).why_not == "only 0 takes"


def test_several_tests_are_corrected_together():
    # Holm: 0.01 <= 0.05 / 4, 0.015 <= 0.05 / 3, then 0.03 > 0.05 / 2 and nothing after it (computed from the rule).
    assert holm([0.03, 0.01, float("nan"), 0.04, 0.015]) == [False, True, False, False, True]
    assert holm([]) == []


def test_columns_of_different_lengths_are_refused():
    _, day = played(np.random.default_rng(5))
    with pytest.raises(JudgeError, match="one length"):
        drift(np.zeros(3), day)
