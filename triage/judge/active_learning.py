"""Active learning: which take to review next for the model's sake, mixed into the ranked queue.

Most places of the queue go to the most doubtful take. A share goes to the takes that are most informative for the
model (doubt near a half, unlike what was heard), a small share to a random sample (from which the rejects left in the
tail are estimated, see ``unheard_rejects.py``), and now and then a take comes back to the same person unannounced (is
the verdict the same again?).
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

SCHEDULED = 1024  # places whose purposes are worked out at once
MOST_RANKED = 200  # takes that get an active-learning rank beforehand,
CANDIDATES = 10  # chosen among so many times as many, the most uncertain ones
FURTHEST = 2.0  # usual distances: what is further off is no more unlike


@dataclass(frozen=True)
class Mix:
    """Shares of the queue's places, each 0 to 1; ``repeat`` is for blind repeats."""

    learning: float = 0.1
    random: float = 0.05
    repeat: float = 0.02


ALL_BY_DOUBT = Mix(0.0, 0.0, 0.0)


def purpose(place: int, mix: Mix) -> str:
    """Return what the queue's ``place`` (from 0) is for: doubt, learning, random or repeat.

    The places of a purpose with share s are those where floor((place + 1) s + phase) grows: evenly spread, s of all
    places in the long run, and the same at every call. Where two fall on one place the first of random, learning,
    repeat has it and the other moves on by one.
    """
    length = SCHEDULED
    while length <= place:
        length *= 2
    return _schedule(length, mix).get(place, "doubt")


@lru_cache(maxsize=64)
def _schedule(length: int, mix: Mix) -> dict[int, str]:
    taken: dict[int, str] = {}
    for name, phase in (("random", 0.5), ("learning", 0.25), ("repeat", 0.75)):
        share = getattr(mix, name)
        if share <= 0:
            continue
        due = np.floor(np.arange(1, length + 1) * share + phase)
        for at in np.flatnonzero(np.diff(np.r_[np.floor(phase), due]) > 0):
            while int(at) in taken:
                at += 1
            taken[int(at)] = name
    return taken


def learning_order(doubt: np.ndarray, vectors: np.ndarray, heard: np.ndarray, most: int = MOST_RANKED) -> np.ndarray:
    """Return the rows of the most informative unheard takes, in the order to hear them.

    score = 4 p (1 - p) * d, p the doubt (uncertainty, Lewis and Gale, SIGIR 1994) and d the distance of its vector to
    the nearest heard one over the median of those distances, at most 2 (representatives that are unlike what was
    heard: k-centre, Sener and Savarese, ICLR 2018). The take with the greatest score comes first and counts as heard
    for those after it, so that ten takes with the same fault are not asked for in a row.

    Parameters
    ----------
    doubt : ndarray, shape (take,)
        0 to 1; NaN counts as 0.5.
    vectors : ndarray, shape (take, dimension)
        A row of NaN where a take has none: its distance is the usual one.
    heard : ndarray of bool, shape (take,)
    most : int
        As many are put in order at most.

    Returns
    -------
    ndarray of int, shape (at most ``most``,)
    """
    rows, p = np.flatnonzero(~heard), np.clip(np.nan_to_num(doubt, nan=0.5), 0, 1)
    uncertain = 4 * p * (1 - p)
    rows = rows[np.argsort(-uncertain[rows], kind="stable")[: CANDIDATES * most]]
    unsure, known = uncertain[rows], np.isfinite(vectors).all(axis=1)
    mine, others = known[rows], vectors[heard & known]
    away = np.full(len(rows), np.inf)
    if len(others) and mine.any():
        away[mine] = _nearest(vectors[rows[mine]], others)
    usual = float(np.median(away[mine])) if len(others) and mine.any() else np.inf
    order: list[int] = []
    for _ in range(min(most, len(rows))):
        far = np.ones(len(rows))
        if np.isfinite(usual):
            far[mine] = np.minimum(away[mine] / max(usual, 1e-12), FURTHEST)
        score = unsure * far
        score[order] = -1.0
        order.append(int(np.argmax(score)))
        if mine[order[-1]]:
            away[mine] = np.minimum(away[mine], _nearest(vectors[rows[mine]], vectors[rows[order[-1]]][None]))
            usual = usual if np.isfinite(usual) else float(np.median(away[mine]))
    return rows[order]


def _nearest(rows: np.ndarray, others: np.ndarray) -> np.ndarray:
    squared = np.full(len(rows), np.inf)
    for first in range(0, len(others), 1000):  # a day's takes against as many would not fit into memory
        own = others[first : first + 1000]
        away = (rows**2).sum(axis=1)[:, None] - 2 * rows @ own.T + (own**2).sum(axis=1)[None, :]
        squared = np.minimum(squared, away.min(axis=1))
    return np.asarray(np.sqrt(np.maximum(squared, 0.0)))
