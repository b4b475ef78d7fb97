"""The best set: which notes to keep at every pitch so that the keyboard is most consistent, found exactly.

In: the costs between candidates (``best_set_costs.py``), how many notes each pitch is to keep, which are fixed. Out:
the set of least total cost, and for each note what it costs and what the next best would cost more. It is a shortest
path over the pitches, a state being the notes kept at one pitch (Viterbi 1967; Bellman 1957). Where a pitch has too
many combinations the same problem is solved as an integer linear programme by HiGHS, exactly too.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise
from math import comb

import numpy as np

from triage.domain.errors import JudgeError
from triage.judge.best_set_costs import Costs

MOST_STATES = 3000  # of one pitch: two such pitches take 9 million sums, a tenth of a second
PATH, PROGRAMME = "shortest path", "integer programme"


@dataclass(frozen=True)
class Kept:
    """One kept note: its row, its share of the total cost, and what it costs more to do without it."""

    row: int
    own: float
    repeats: float
    below: float
    above: float
    fixed: bool
    next_row: int | None = None  # the note that would come in its place
    next_costs: float | None = None  # more for the whole set; None where there is no other

    @property
    def cost(self) -> float:
        """The note's share of the total."""
        return self.own + self.repeats + self.below + self.above


@dataclass(frozen=True)
class BestSet:
    """The set of least cost: notes in order of pitch, the total, how it was found and over how many states."""

    kept: tuple[Kept, ...]
    cost: float
    method: str
    states: int

    def rows(self) -> list[int]:
        """Return the rows kept."""
        return [one.row for one in self.kept]


def best_set(
    costs: Costs, wanted: int | Mapping[int, int], fixed: frozenset[int] = frozenset(), most_states: int = MOST_STATES
) -> BestSet:
    """Return the set of notes of least cost.

    total = sum over pitches of (mean own + mean together over pairs) + sum over neighbouring pitches of mean apart
    over pairs / distance in semitones; all means are over the notes kept. Least over all sets that keep
    min(wanted, candidates) notes at every pitch, the fixed ones among them (a pitch with more fixed notes than
    wanted keeps just these).

    Parameters
    ----------
    costs : Costs
    wanted : int, or dict of int to int
        Notes to keep at every pitch, or by pitch; >= 1.
    fixed : frozenset of int
        Rows that a person chose.
    most_states : int
        More combinations than this at one pitch, and the integer programme takes over.

    Returns
    -------
    BestSet
        Of several sets of the same cost always the same one. The integer programme gives no next best.

    Raises
    ------
    JudgeError
        If wanted is less than 1, a fixed row is none of the candidates, or a cost is not finite.

    References
    ----------
    Bellman, Dynamic Programming, 1957; Viterbi, IEEE Trans. Information Theory 13, 1967; Huangfu and Hall,
    Mathematical Programming Computation 10, 2018 (HiGHS).
    """
    pitches = [int(pitch) for pitch in np.unique(costs.pitch)]
    asked = [wanted if isinstance(wanted, int) else wanted[pitch] for pitch in pitches]
    _check(costs, asked, fixed)
    groups = [np.flatnonzero(costs.pitch == pitch) for pitch in pitches]
    held = [[int(row) for row in group if row in fixed] for group in groups]
    sizes = [max(len(h), min(k, len(g))) for h, k, g in zip(held, asked, groups, strict=True)]
    counts = [comb(len(g) - len(h), k - len(h)) for g, h, k in zip(groups, held, sizes, strict=True)]
    if max(counts, default=0) > most_states:
        from triage.judge.best_set_ilp import solve_programme  # late: few keyboards need the solver

        rows = solve_programme(costs, groups, sizes, fixed)
        return _with_shares(costs, rows, PROGRAMME, max(counts), {}, fixed)
    states = [_states(g, h, k) for g, h, k in zip(groups, held, sizes, strict=True)]
    rows, others = _path(costs, states)
    return _with_shares(costs, rows, PATH, max(counts, default=0), others, fixed)


def total_cost(costs: Costs, rows: Sequence[int]) -> float:
    """Return what a set of notes costs, as ``best_set`` adds it up.

    Parameters
    ----------
    costs : Costs
    rows : sequence of int
        The notes of the set; one or more.

    Returns
    -------
    float
    """
    kept = np.array(sorted(rows), dtype=int)
    states = [kept[costs.pitch[kept] == pitch][None, :] for pitch in np.unique(costs.pitch[kept])]
    within = sum(float(_within(costs, own)[0]) for own in states)
    return within + sum(float(_between(costs, low, high)[0, 0]) for low, high in pairwise(states))


def swap_costs(costs: Costs, rows: Sequence[int]) -> dict[int, float]:
    """Return what each note outside a set would cost more in the place of one of its pitch, the cheapest place.

    Parameters
    ----------
    costs : Costs
    rows : sequence of int
        The set.

    Returns
    -------
    dict of int to float
        Row to cost, for every candidate whose pitch has a note in the set; less than 0 where a person's choice keeps
        a dearer note.
    """
    pitches, kept = np.unique(costs.pitch[list(rows)]), sorted(rows)
    of_pitch = {float(pitch): [row for row in kept if costs.pitch[row] == pitch] for pitch in pitches}
    found: dict[int, float] = {}
    for at, pitch in enumerate(pitches.tolist()):
        own = of_pitch[pitch]
        beside = [
            row for near in pitches[max(0, at - 1) : at + 2].tolist() if near != pitch for row in of_pitch[near]
        ]
        now = total_cost(costs, [*beside, *own])
        for row in np.flatnonzero(costs.pitch == pitch).tolist():
            if row not in own:
                swaps = ([*beside, *(one for one in own if one != out), row] for out in own)
                found[row] = min(total_cost(costs, swapped) for swapped in swaps) - now
    return found


def _check(costs: Costs, wanted: Sequence[int], fixed: frozenset[int]) -> None:
    if min(wanted, default=1) < 1:
        raise JudgeError(f"{min(wanted)} notes wanted of a pitch; expected 1 or more")
    if unknown := sorted(row for row in fixed if not 0 <= row < len(costs.pitch)):
        raise JudgeError(f"fixed row {unknown[0]} is none of the {len(costs.pitch)} candidates")
    if not all(np.isfinite(part).all() for part in (costs.own, costs.apart, costs.together)):
        raise JudgeError("a cost is not finite: pass costs as costs_of returns them")


def _states(group: np.ndarray, held: list[int], size: int) -> np.ndarray:
    """Return every set of ``size`` rows of a group that holds ``held`` [shape=(state, size)]."""
    free = [int(row) for row in group if row not in held]
    sets = [sorted((*held, *rest)) for rest in combinations(free, size - len(held))]
    return np.array(sets, dtype=int).reshape(len(sets), size)


def _within(costs: Costs, states: np.ndarray) -> np.ndarray:
    size = states.shape[1]
    own = costs.own[states].mean(axis=1)
    if size < 2:
        return own
    pairs = costs.together[states[:, :, None], states[:, None, :]].sum(axis=(1, 2))
    return own + pairs / (size * (size - 1))


def _between(costs: Costs, low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """Return the cost of every state of one pitch beside every state of the next [shape=(low, high)]."""
    rows, columns = np.unique(low), np.unique(high)
    pairs = costs.apart[np.ix_(rows, columns)]
    distance = costs.pitch[columns[0]] - costs.pitch[rows[0]]
    left, right = _members(low, rows), _members(high, columns)
    return left @ pairs @ right.T / distance


def _members(states: np.ndarray, rows: np.ndarray) -> np.ndarray:
    member = np.zeros((len(states), len(rows)))
    np.put_along_axis(member, np.searchsorted(rows, states), 1.0 / states.shape[1], axis=1)
    return member


def _path(costs: Costs, states: list[np.ndarray]) -> tuple[list[int], dict[int, tuple[int, float]]]:
    """Return the rows on the shortest path, and for each the row in its place on the next best and its price."""
    within = [_within(costs, own) for own in states]
    between = [_between(costs, a, b) for a, b in pairwise(states)]
    ahead, behind = within[:1], [np.zeros(len(states[-1]))] if states else []
    for own, step in zip(within[1:], between, strict=True):
        ahead.append(own + (ahead[-1][:, None] + step).min(axis=0))
    for own, step in zip(within[:0:-1], between[::-1], strict=True):
        behind.insert(0, (step + (own + behind[0])[None, :]).min(axis=1))
    chosen = _walk(ahead, between)
    rows = [int(row) for own, place in zip(states, chosen, strict=True) for row in own[place]]
    others: dict[int, tuple[int, float]] = {}
    for own, place, before, after in zip(states, chosen, ahead, behind, strict=True):
        others |= _others(own, place, before + after)
    return rows, others


def _walk(ahead: list[np.ndarray], between: list[np.ndarray]) -> list[int]:
    """Return the state of each pitch on the shortest path, from the last one back."""
    if not ahead:
        return []
    chosen = [int(ahead[-1].argmin())]
    for cost, step in zip(ahead[-2::-1], between[::-1], strict=True):
        chosen.insert(0, int((cost + step[:, chosen[0]]).argmin()))
    return chosen


def _others(states: np.ndarray, place: int, total: np.ndarray) -> dict[int, tuple[int, float]]:
    """Return for each row of a state the best path without it: who comes in, and what it costs more."""
    found = {}
    for row in states[place]:
        without = np.flatnonzero((states != row).all(axis=1))
        if without.size:
            other = without[total[without].argmin()]
            newcomer = np.setdiff1d(states[other], states[place])
            found[int(row)] = (int(newcomer[0]), float(total[other] - total[place]))
    return found


def _with_shares(
    costs: Costs,
    rows: list[int],
    method: str,
    states: int,
    others: dict[int, tuple[int, float]],
    fixed: frozenset[int],
) -> BestSet:
    """Return the set with every note's share: half of each term between two notes goes to either."""
    groups = [np.array([r for r in rows if costs.pitch[r] == p]) for p in sorted({costs.pitch[r] for r in rows})]
    kept = []
    for place, own in enumerate(groups):
        size = len(own)
        for row in own:
            repeats = costs.together[row, own].sum() / (size * max(size - 1, 1))
            below, above = (
                _side(costs, int(row), groups[side], size) if 0 <= side < len(groups) else 0.0
                for side in (place - 1, place + 1)
            )
            other, price = others.get(int(row), (None, None))
            held = int(row) in fixed
            kept.append(
                Kept(
                    int(row),
                    float(costs.own[row]) / size,
                    float(repeats),
                    below,
                    above,
                    held,
                    None if held else other,
                    None if held else price,
                )
            )
    return BestSet(tuple(kept), sum(one.cost for one in kept), method, states)


def _side(costs: Costs, row: int, others: np.ndarray, size: int) -> float:
    distance = abs(costs.pitch[others[0]] - costs.pitch[row])
    return float(costs.apart[row, others].sum() / (2 * size * len(others) * distance))
