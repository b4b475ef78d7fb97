import numpy as np
import pytest

from tests.judge.keyboard import keyboard, row_of
from tests.judge.strd import SETS
from triage.domain.errors import JudgeError
from triage.domain.measurements import COMPARED
from triage.judge.repeats import one_way, pairs, repeats


@pytest.mark.parametrize("name", SETS)
def test_analysis_of_variance_gives_the_certified_values(name):
    groups, between, within, tolerance = SETS[name]
    found = one_way(groups.ravel(), np.repeat(np.arange(len(groups)), groups.shape[1]))
    assert found.within / found.df_within == pytest.approx(within, rel=tolerance)
    assert found.between / found.df_between == pytest.approx(between, rel=tolerance)
    assert found.f == pytest.approx(between / within, rel=2 * tolerance)


def test_the_spread_of_repetitions_is_found_whatever_the_keyboard_does():
    held = []
    for seed in range(20):
        table = keyboard(np.random.default_rng(seed), dynamics=("p",))
        table.values["cents"] += 0.8 * (table.pitch - 60)
        found = next(r for r in repeats(table) if r.quantity == "tuning")
        assert found.sigma == pytest.approx(COMPARED["cents"].least_scale, rel=0.35)
        assert (found.cells, found.notes) == (24, 72)
        held.append(found.low <= COMPARED["cents"].least_scale <= found.high)
    assert np.mean(held) >= 0.75  # of 90 % intervals


def test_a_cohort_without_repetitions_has_no_spread():
    assert repeats(keyboard(np.random.default_rng(0), repetitions=1)) == []


def copied(table, first, second, noise=0.0, rng=None):
    """Make a note another one's copy, ``noise`` in parts of the usual difference."""
    for name, column in table.values.items():
        column[second] = column[first]
        if noise:
            how = COMPARED[name]
            change = noise * how.least_scale * rng.normal()
            column[second] = column[second] * np.exp(change) if how.log else column[second] + change
    table.embedding[second] = table.embedding[first] + (noise * rng.normal(size=12) if noise else 0.0)


def too_alike(table):
    return [(p.first, p.second) for p in pairs(table) if p.too_alike]


def test_two_performances_are_hardly_ever_too_much_alike():
    found = [pair for seed in range(6) for pair in pairs(keyboard(np.random.default_rng(seed)))]
    assert len(found) == 6 * 2 * 24 * 3
    assert np.mean([pair.too_alike for pair in found]) < 0.002
    assert np.median([pair.distance for pair in found]) == pytest.approx(1.0, abs=0.2)
    assert np.median([pair.alike for pair in found]) == pytest.approx(1.0, abs=0.15)


def test_a_copy_is_found_also_at_another_gain_and_with_a_floor_of_its_own():
    rng = np.random.default_rng(7)
    table = keyboard(rng)
    same = row_of(table, "p", 50.0), row_of(table, "p", 50.0, 1)
    near = row_of(table, "f", 61.0), row_of(table, "f", 61.0, 2)
    copied(table, *same)
    copied(table, *near, noise=0.1, rng=rng)
    table.values["level_dbfs"][near[1]] -= 6.0
    assert too_alike(table) == [near, same]


def test_a_whole_take_that_is_a_copy_is_found_though_half_of_its_cohort_is_one():
    table = keyboard(np.random.default_rng(8), dynamics=("p",), repetitions=2)
    for first in range(0, len(table), 2):
        if first % 4:
            copied(table, first, first + 1)
    assert len(too_alike(table)) == 12


def test_few_notes_do_not_define_what_is_usual_but_the_same_is_the_same():
    table = keyboard(np.random.default_rng(9), dynamics=("p",), pitches=2, repetitions=2)
    assert pairs(table) == []
    copied(table, 0, 1)
    assert [(p.first, p.second, p.alike) for p in pairs(table)] == [(0, 1, 0.0)]


def test_of_many_usual_pairs_some_are_returned_and_every_copy_is():
    table = keyboard(np.random.default_rng(10))
    copied(table, row_of(table, "p", 50.0), row_of(table, "p", 50.0, 2))
    few = pairs(table, most=20)
    assert 15 <= len(few) <= 25
    assert [(p.first, p.second) for p in few if p.too_alike] == too_alike(table)
    assert {(p.first, p.second, p.alike) for p in few} <= {(p.first, p.second, p.alike) for p in pairs(table)}


def test_a_copy_is_found_in_a_cell_of_very_many_notes():
    table = keyboard(np.random.default_rng(11), dynamics=("p",), pitches=1, repetitions=400)
    copied(table, 3, 377)
    found = pairs(table)
    assert [(p.first, p.second) for p in found if p.too_alike] == [(3, 377)]
    assert len(found) <= 5_000 + 400


def test_what_has_no_groups_is_refused():
    with pytest.raises(JudgeError, match="one label"):
        one_way(np.ones(3), np.ones(2))
