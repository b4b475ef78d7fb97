"""The best set against brute force, against an integer programme, against scipy's assignment, on planted truth."""

from itertools import combinations, pairwise, permutations, product

import numpy as np
import pytest
from scipy.optimize import linear_sum_assignment

from triage.domain.errors import JudgeError
from triage.domain.measurements import COMPARED
from triage.judge import best_set as module
from triage.judge.best_set import PATH, PROGRAMME, best_set, swap_costs
from triage.judge.best_set_costs import BETWEEN_KEYS, Costs, axes_of, costs_of, roughness
from triage.judge.repetition_numbering import number_repetitions


def keyboard(pitches, counts, seed, spread=1.0):
    """Random candidates: log-normal seconds and hertz, normal decibels and cents."""
    rng = np.random.default_rng(seed)
    pitch = np.repeat(pitches, counts)
    n = len(pitch)
    sigma = {name: spread * (0.1 if COMPARED[name].log else 3.0) for name in BETWEEN_KEYS}
    values = {name: rng.normal(0.0, sigma[name], n) for name in BETWEEN_KEYS}
    values = {name: np.exp(x) if COMPARED[name].log else x for name, x in values.items()}
    return costs_of(pitch, axes_of(values), rng.uniform(0, 0.6, n), rng.random(n) < 0.8, rng.normal(size=(n, 8)))


def total_cost(costs, rows):
    """Add up best_set's own definition: means over a pitch and over neighbouring pitches, nothing shared out."""
    groups = [np.array([r for r in rows if costs.pitch[r] == p]) for p in sorted({costs.pitch[r] for r in rows})]
    alone = sum(
        costs.own[own].mean() + costs.together[np.ix_(own, own)].sum() / (len(own) * max(len(own) - 1, 1))
        for own in groups
    )
    return alone + sum(
        costs.apart[np.ix_(low, high)].mean() / (costs.pitch[high[0]] - costs.pitch[low[0]])
        for low, high in pairwise(groups)
    )


def brute(costs, wanted, fixed):
    """Try every set there is."""
    choices = []
    for pitch in np.unique(costs.pitch):
        group = [int(row) for row in np.flatnonzero(costs.pitch == pitch)]
        held = {row for row in group if row in fixed}
        size = max(len(held), min(wanted, len(group)))
        choices.append([rows for rows in combinations(group, size) if held <= set(rows)])
    every = ([row for rows in one for row in rows] for one in product(*choices))
    return min((total_cost(costs, rows), rows) for rows in every)


def without(costs, row):
    keep = [other for other in range(len(costs.pitch)) if other != row]
    square = np.ix_(keep, keep)
    return Costs(costs.pitch[keep], costs.own[keep], costs.apart[square], costs.together[square], costs.axes[keep])


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("wanted, fixed", [(1, ()), (2, ()), (3, ()), (2, (0, 5)), (1, (1, 2))])
def test_the_set_is_the_one_that_brute_force_finds(seed, wanted, fixed):
    counts = np.random.default_rng(seed).integers(1, 5, 4)
    counts[:2] = 3
    costs = keyboard([50, 51, 53, 54], counts, seed)
    best, rows = brute(costs, wanted, set(fixed))
    by_path = best_set(costs, wanted, frozenset(fixed))
    by_programme = best_set(costs, wanted, frozenset(fixed), most_states=0)
    assert (by_path.method, by_programme.method) == (PATH, PROGRAMME)
    assert by_path.rows() == rows and by_path.cost == pytest.approx(best)
    assert by_programme.cost == pytest.approx(best, rel=1e-6)
    assert set(fixed) <= set(by_path.rows()) and set(fixed) <= set(by_programme.rows())


@pytest.mark.parametrize("seed", range(4))
def test_the_next_best_is_what_is_found_without_the_note(seed):
    costs = keyboard([50, 51, 52], [4, 4, 4], seed)
    found = best_set(costs, 2)
    for kept in found.kept:
        rest = best_set(without(costs, kept.row), 2)
        assert kept.next_costs == pytest.approx(rest.cost - found.cost)
        newcomer = kept.next_row - (kept.next_row > kept.row)
        assert newcomer in rest.rows()


def test_the_shares_of_the_notes_add_up_to_the_total():
    costs = keyboard([50, 51, 53], [3, 4, 2], 0)
    found = best_set(costs, 2)
    assert sum(kept.cost for kept in found.kept) == pytest.approx(found.cost)


def test_a_whole_keyboard_is_solved_alike_by_path_and_programme():
    costs = keyboard(np.arange(40, 60), np.full(20, 6), 1)
    by_path, by_programme = best_set(costs, 3), best_set(costs, 3, most_states=10)
    assert by_path.states == 20  # 6 over 3
    assert by_programme.rows() == by_path.rows()


def test_one_note_a_pitch_and_costs_of_their_own_alone_are_the_cheapest_each():
    costs = keyboard([50, 51, 52], [3, 3, 3], 2)
    alone = Costs(costs.pitch, costs.own, costs.apart * 0, costs.together * 0, costs.axes)
    cheapest = [int(rows[costs.own[rows].argmin()]) for rows in (np.arange(3), np.arange(3, 6), np.arange(6, 9))]
    assert best_set(alone, 1).rows() == cheapest


def test_the_same_performance_twice_is_not_kept_twice():
    # Rows 0 and 1 are one note copied; row 2 differs a little. Two are wanted.
    axes = np.zeros((3, len(BETWEEN_KEYS)))
    axes[2] = [0.05, 0.6, 0.05, 0.12, 3.0]
    vectors = np.array([[0.0, 0.0], [0.0, 0.0], [1.0, 0.0]])
    costs = costs_of(np.full(3, 60), axes, np.full(3, 0.02), np.ones(3, bool), vectors)
    assert costs.together[0, 1] > 10 > costs.together[0, 2]
    assert 2 in best_set(costs, 2).rows()


def test_a_repetition_far_from_the_others_costs_more():
    axes = np.zeros((3, len(BETWEEN_KEYS)))
    axes[:, 0] = [0.0, 0.1, 0.5]
    costs = costs_of(np.full(3, 60), axes, np.full(3, 0.02), np.ones(3, bool))
    assert best_set(costs, 2).rows() == [0, 1]


def test_a_note_that_is_not_clean_is_kept_only_where_there_is_no_other():
    costs = keyboard([50, 51], [2, 1], 3, spread=0.01)
    reject, clean = np.zeros(3), np.array([False, True, False])
    found = best_set(costs_of(costs.pitch, np.zeros((3, len(BETWEEN_KEYS))), reject, clean), 1)
    assert found.rows() == [1, 2]


def test_an_unknown_measurement_takes_the_usual_value_and_a_small_cost():
    axes = np.zeros((4, len(BETWEEN_KEYS)))
    axes[1, 0] = np.nan
    costs = costs_of(np.array([60, 60, 61, 61]), axes, np.zeros(4), np.ones(4, bool))
    assert np.isfinite(costs.apart).all()
    assert (costs.own[1], costs.own[0]) == (0.5, 0.0)


def test_gain_and_key_do_not_matter():
    # Metamorphic: everything 6 dB louder, or a fifth higher, and the same notes are kept.
    rng = np.random.default_rng(4)
    pitch = np.repeat(np.arange(50, 58), 4)
    axes = rng.normal(0, 0.2, (32, len(BETWEEN_KEYS)))
    louder = axes.copy()
    louder[:, BETWEEN_KEYS.index("level_dbfs")] += 6.0206
    args = (np.full(32, 0.05), np.ones(32, bool))
    here = best_set(costs_of(pitch, axes, *args), 2).rows()
    assert best_set(costs_of(pitch, louder, *args), 2).rows() == here
    assert best_set(costs_of(pitch + 7, axes, *args), 2).rows() == here


@pytest.mark.parametrize("wanted, fixed, message", [(0, (), "0 notes wanted"), (1, (9,), "fixed row 9")])
def test_impossible_requests_are_refused(wanted, fixed, message):
    with pytest.raises(JudgeError, match=message):
        best_set(keyboard([50, 51], [2, 2], 0), wanted, frozenset(fixed))
    with pytest.raises(JudgeError, match="in order of pitch"):
        costs_of(np.array([61, 60]), np.zeros((2, 5)), np.zeros(2), np.ones(2, bool))


def test_no_candidates_make_an_empty_set():
    empty = costs_of(np.zeros(0, int), np.zeros((0, len(BETWEEN_KEYS))), np.zeros(0), np.zeros(0, bool))
    assert best_set(empty, 2).kept == ()


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("size", [2, 4, 7])
def test_numbers_are_scipys_assignment_step_by_step(seed, size):
    # Without pins each step is an assignment of its own, whose optimum scipy knows.
    rng = np.random.default_rng(seed)
    sets = [list(range(start, start + size)) for start in range(0, 4 * size, size)]
    apart = rng.random((4 * size, 4 * size))
    numbers = number_repetitions(apart, sets)
    assert all(sorted(numbers[row] for row in rows) == list(range(1, size + 1)) for rows in sets)
    for low, high in pairwise(sets):
        steps = sum(apart[a, b] for a in low for b in high if numbers[a] == numbers[b])
        rows, columns = linear_sum_assignment(apart[np.ix_(low, high)])
        assert steps == pytest.approx(apart[np.ix_(low, high)][rows, columns].sum())


def test_a_pinned_number_stays_and_the_others_follow():
    # Rows 0 1 | 2 3; 0 likes 2, 1 likes 3. Pinning 3 to number 1 moves its like along.
    apart = np.ones((4, 4))
    apart[0, 2] = apart[1, 3] = 0.0
    assert number_repetitions(apart, [[0, 1], [2, 3]], {3: 1}) == {0: 2, 1: 1, 2: 2, 3: 1}
    assert number_repetitions(apart, [[0], [2, 3]], {2: 4}) == {0: 1, 2: 4, 3: 1}
    assert number_repetitions(apart, [], None) == {}


@pytest.mark.parametrize("seed", range(3))
def test_the_numbers_are_the_best_of_all_orders(seed):
    apart = np.random.default_rng(seed).random((9, 9))
    sets = [[0, 1, 2], [3, 4, 5], [6, 7, 8]]
    numbers = number_repetitions(apart, sets, {1: 3, 7: 2})

    def cost(orders):
        return sum(apart[a, b] for low, high in pairwise(orders) for a, b in zip(low, high, strict=True))

    every = product(*(list(permutations(rows)) for rows in sets))
    allowed = (orders for orders in every if orders[0][2] == 1 and orders[2][1] == 7)
    found = [sorted(rows, key=lambda row: numbers[row]) for rows in sets]
    assert cost(found) == pytest.approx(min(map(cost, allowed)))
    assert (numbers[1], numbers[7]) == (3, 2)


@pytest.mark.parametrize("candidates, wanted, at_most", [(4, 1, 0.7), (6, 2, 0.7)])
def test_injected_roughness_falls_by_three_tenths(candidates, wanted, at_most):
    ratios = []
    for seed in range(4):
        costs = keyboard(np.arange(40, 70), np.full(30, candidates), seed)
        costs = Costs(costs.pitch, np.zeros_like(costs.own), costs.apart, costs.together, costs.axes)
        rows = best_set(costs, wanted).rows()
        sets = [[row for row in rows if costs.pitch[row] == pitch] for pitch in range(40, 70)]
        numbers = number_repetitions(costs.apart, sets)
        best = roughness(costs.axes, [{numbers[row]: row for row in own} for own in sets])
        firsts = [{n + 1: candidates * step + n for n in range(wanted)} for step in range(30)]
        ratios.append(best / roughness(costs.axes, firsts))
    assert max(ratios) < at_most


def test_roughness_is_the_mean_step():
    # Steps of 1 and 3 on one measurement out of two, 0 on the other: (0.5 + 1.5) / 2.
    axes = np.array([[0.0, 0.0], [1.0, 0.0], [4.0, 0.0]])
    assert roughness(axes, [{1: 0}, {1: 1}, {}, {1: 2}]) == pytest.approx(1.0)
    assert np.isnan(roughness(axes, [{1: 0}, {2: 1}]))


@pytest.mark.parametrize("seed", range(4))
def test_a_swap_costs_what_the_whole_set_then_costs_more(seed):
    costs = keyboard([50, 51, 53, 54], [3, 4, 2, 3], seed)
    rows = best_set(costs, 2).rows()
    assert module.total_cost(costs, rows) == pytest.approx(total_cost(costs, rows))
    swaps = swap_costs(costs, rows)
    assert set(swaps) == set(range(len(costs.pitch))) - set(rows)
    for row, more in swaps.items():
        same = [out for out in rows if costs.pitch[out] == costs.pitch[row]]
        swapped = [total_cost(costs, [one for one in rows if one != out] + [row]) for out in same]
        assert more == pytest.approx(min(swapped) - total_cost(costs, rows)) and more > -1e-9
