"""The best set as an integer linear programme, for pitches with more combinations than a path can go through.

In: the costs between candidates, the candidates of each pitch, how many to keep of each. Out: the rows of least
cost, exactly (HiGHS, no gap allowed). ``best_set.py`` defines what is minimised.
"""

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array

from triage.domain.errors import JudgeError
from triage.judge.best_set_costs import Costs


def solve_programme(costs: Costs, groups: list[np.ndarray], sizes: list[int], fixed: frozenset[int]) -> list[int]:
    """Return the rows of least cost.

    x_a in {0, 1} keeps note a, y_ab in {0, 1} stands for x_a x_b. sum_a x_a = k at each pitch; sum_b y_ab = k' x_a
    over the notes of a neighbouring pitch, (k - 1) x_a over the others of its own.

    Parameters
    ----------
    costs : Costs
    groups : list of ndarray of int
        The candidates of each pitch, in order of pitch.
    sizes : list of int
        How many to keep of each.
    fixed : frozenset of int
        Rows to be among them.

    Returns
    -------
    list of int
        In rising order.

    Raises
    ------
    JudgeError
        If the solver gives up.

    References
    ----------
    Adams and Sherali, Management Science 32, 1986 (linearised products of binary variables).
    """
    n = len(costs.pitch)
    price, pairs = list(_own_prices(costs, groups, sizes)), list[tuple[int, int]]()
    equations: list[tuple[dict[int, float], float]] = []
    for group, size in zip(groups, sizes, strict=True):
        equations.append(({int(row): 1.0 for row in group}, float(size)))
        if size > 1:
            scale = 2.0 / (size * (size - 1))
            _products(costs.together * scale, (group, group), (size, size), price, pairs, equations)
    for low, high, k, m in zip(groups, groups[1:], sizes, sizes[1:], strict=False):
        distance = costs.pitch[high[0]] - costs.pitch[low[0]]
        _products(costs.apart / (k * m * distance), (low, high), (k, m), price, pairs, equations)
    least = np.zeros(len(price))
    least[sorted(fixed)] = 1.0
    whole = np.concatenate((np.ones(n), np.zeros(len(pairs))))
    matrix, right = _matrix(equations, len(price))
    found = milp(
        np.array(price),
        integrality=whole,
        bounds=Bounds(least, np.ones(len(price))),
        constraints=LinearConstraint(matrix, right, right),
        options={"mip_rel_gap": 0.0},
    )
    if found.x is None:
        raise JudgeError(f"no best set found: {found.message}")
    return [int(row) for row in np.flatnonzero(found.x[:n] > 0.5)]


def _own_prices(costs: Costs, groups: list[np.ndarray], sizes: list[int]) -> np.ndarray:
    price = np.zeros(len(costs.pitch))
    for group, size in zip(groups, sizes, strict=True):
        price[group] = costs.own[group] / size
    return price


def _products(
    cost: np.ndarray,
    groups: tuple[np.ndarray, np.ndarray],
    sizes: tuple[int, int],
    price: list[float],
    pairs: list[tuple[int, int]],
    equations: list[tuple[dict[int, float], float]],
) -> None:
    """Add a variable for each pair of notes of two groups, and the constraints that tie it to both notes."""
    first, second = groups
    same, n = first is second, len(price) - len(pairs)
    place: dict[tuple[int, int], int] = {}
    for a in map(int, first):
        for b in map(int, second):
            if not same or a < b:
                place[a, b] = n + len(pairs)
                pairs.append((a, b))
                price.append(float(cost[a, b]))
    for group, size in ((first, sizes[1]),) if same else ((first, sizes[1]), (second, sizes[0])):
        for a in map(int, group):
            terms = {at: 1.0 for pair, at in place.items() if a in pair}
            equations.append((terms | {a: -float(size - same)}, 0.0))


def _matrix(equations: list[tuple[dict[int, float], float]], width: int) -> tuple[csr_array, np.ndarray]:
    rows = [row for row, (terms, _) in enumerate(equations) for _ in terms]
    columns = [column for terms, _ in equations for column in terms]
    values = [value for terms, _ in equations for value in terms.values()]
    shape = (len(equations), width)
    return csr_array((values, (rows, columns)), shape=shape), np.array([right for _, right in equations])
