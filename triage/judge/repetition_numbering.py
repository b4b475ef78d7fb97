"""Numbering: which kept note of a pitch becomes which repetition, so that each repetition is consistent too.

In: the notes kept at each pitch and the costs between them. Out: a number from 1 for each note. Exact: with up to
5 notes a pitch as a shortest path over all orders; with more, pitch by pitch as an assignment (which is exact too
as long as nobody pinned a note to a number: only the order against the pitch before matters then).
"""

from itertools import permutations

import numpy as np

MOST_ORDERED = 5  # 120 orders a pitch
PINNED = 1e6


def number_repetitions(
    apart: np.ndarray, sets: list[list[int]], pins: dict[int, int] | None = None
) -> dict[int, int]:
    """Return the repetition number of each kept note.

    Least sum over neighbouring pitches and numbers of apart[a, b], a and b being the notes of that number

    Parameters
    ----------
    apart : ndarray, shape (n, n)
        Cost of two notes under the same number at neighbouring pitches.
    sets : list of list of int
        Rows kept at each pitch, in order of pitch.
    pins : dict of int to int, optional
        Row to the number that a person gave it; of two at one pitch with the same number the first counts.

    Returns
    -------
    dict of int to int
        Row to number. A pitch with k notes uses the k lowest numbers, unless one is pinned to a higher.

    References
    ----------
    Kuhn, Naval Research Logistics 2, 1955 (assignment); Viterbi 1967 (path).
    """
    slots = [_slots(rows, pins or {}) for rows in sets if rows]
    if not slots:
        return {}
    if max(len(own) for own, _ in slots) <= MOST_ORDERED:
        return _by_path(apart, slots)
    return _by_assignment(apart, slots)


Slots = tuple[list[int], dict[int, int]]  # the numbers in use at a pitch, and row -> pinned number or 0


def _slots(rows: list[int], pins: dict[int, int]) -> Slots:
    pinned: dict[int, int] = {}
    for row in rows:
        number = pins.get(row, 0)
        pinned[row] = 0 if number in pinned.values() else number
    taken = {number for number in pinned.values() if number}
    free = (number for number in range(1, len(rows) + len(taken) + 1) if number not in taken)
    return sorted((*taken, *(next(free) for _ in range(len(rows) - len(taken))))), pinned


def _orders(slots: Slots) -> np.ndarray:
    """Return every order of a pitch's rows that keeps to its pins [shape=(order, slot)]."""
    numbers, pinned = slots
    return np.array(
        [
            order
            for order in permutations(pinned)
            if all(pinned[row] in (0, number) for row, number in zip(order, numbers, strict=True))
        ]
    )


def _by_path(apart: np.ndarray, slots: list[Slots]) -> dict[int, int]:
    orders = [_orders(own) for own in slots]
    cost, came = np.zeros(len(orders[0])), []
    for (low, _), (high, _), before, after in zip(slots, slots[1:], orders, orders[1:], strict=False):
        step = np.zeros((len(before), len(after)))
        for number in set(low) & set(high):
            step += apart[np.ix_(before[:, low.index(number)], after[:, high.index(number)])]
        reach = cost[:, None] + step
        came.append(reach.argmin(axis=0))
        cost = reach.min(axis=0)
    chosen = [int(cost.argmin())]
    for back in reversed(came):
        chosen.insert(0, int(back[chosen[0]]))
    return {
        int(row): number
        for (numbers, _), own, place in zip(slots, orders, chosen, strict=True)
        for row, number in zip(own[place], numbers, strict=True)
    }


def _by_assignment(apart: np.ndarray, slots: list[Slots]) -> dict[int, int]:
    from scipy.optimize import linear_sum_assignment  # late: it takes longer to load than a listing does

    numbered: dict[int, int] = {}
    before: dict[int, int] = {}  # number -> row of the pitch before
    for numbers, pinned in slots:
        rows = list(pinned)
        cost = np.array(
            [
                [
                    PINNED * (pinned[row] not in (0, number))
                    + (apart[before[number], row] if number in before else 0.0)
                    for number in numbers
                ]
                for row in rows
            ]
        )
        places = zip(*linear_sum_assignment(cost), strict=True)
        before = {numbers[int(slot)]: rows[int(row)] for row, slot in places}
        numbered |= {row: number for number, row in before.items()}
    return numbered
