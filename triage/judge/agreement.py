"""Agreement: how far people give the same verdicts on the same notes, and one person on the same note twice.

Pairs of labels go in (two lists of equal length, one label an item); Cohen's kappa with its interval comes out.
"""

from collections.abc import Hashable, Sequence
from typing import NamedTuple

import numpy as np

from triage.domain.errors import JudgeError

NORMAL_95 = 1.959964


class Kappa(NamedTuple):
    """Agreement beyond chance: 1 all the same, 0 no more than chance; ``low`` to ``high`` is the 95 % interval."""

    kappa: float
    low: float
    high: float
    agreed: float  # share of items with the same label
    n: int


def cohen_kappa(first: Sequence[Hashable], second: Sequence[Hashable]) -> Kappa:
    """Return Cohen's kappa of two people over the same items.

    kappa = (p_o - p_e) / (1 - p_e), p_o the share of items with the same label and p_e = sum_k p_k. p_.k what chance
    would give; its standard error is the large-sample one of Fleiss, Cohen and Everitt.

    Parameters
    ----------
    first, second : sequence of hashable, shape (item,)
        The labels that each gave; the same order in both.

    Returns
    -------
    Kappa
        NaN with fewer than two items, or where both gave one and the same label throughout: kappa is undefined.

    Raises
    ------
    JudgeError
        If the two are not equally long.

    References
    ----------
    Cohen, Educational and Psychological Measurement 20, 1960; Fleiss, Cohen and Everitt, Psychological Bulletin 72,
    1969.
    """
    if len(first) != len(second):
        raise JudgeError(f"{len(first)} labels against {len(second)}: agreement needs the same items of both people")
    labels = sorted({*first, *second}, key=str)
    table = np.zeros((len(labels), len(labels)))
    for a, b in zip(first, second, strict=True):
        table[labels.index(a), labels.index(b)] += 1
    return _kappa(table)


def _kappa(table: np.ndarray) -> Kappa:
    n = int(table.sum())
    if n < 2:
        return Kappa(np.nan, np.nan, np.nan, np.nan if not n else float(np.trace(table)), n)
    share = table / n
    rows, columns, same = share.sum(axis=1), share.sum(axis=0), np.diag(share)
    agreed, chance = float(same.sum()), float(rows @ columns)
    if chance >= 1 - 1e-12:
        return Kappa(np.nan, np.nan, np.nan, agreed, n)
    kappa = (agreed - chance) / (1 - chance)
    on = float((same * (1 - (rows + columns) * (1 - kappa)) ** 2).sum())
    across = share * (columns[:, None] + rows[None, :]) ** 2
    off = (1 - kappa) ** 2 * float(across.sum() - np.trace(across))
    variance = max(0.0, on + off - (kappa - chance * (1 - kappa)) ** 2) / (n * (1 - chance) ** 2)
    reach = NORMAL_95 * float(np.sqrt(variance))
    return Kappa(kappa, max(-1.0, kappa - reach), min(1.0, kappa + reach), agreed, n)
