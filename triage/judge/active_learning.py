"""Active learning: which take to review next for the model's sake, mixed into the ranked queue.

Most places of the queue go to the most doubtful take. A share goes to the takes that teach most about the producer's
tolerances (near the edge of one that is little known), a small share to a random sample (from which the rejects left
in the tail are estimated, see ``unheard_rejects.py``), and now and then a take comes back to the same person
unannounced (is the verdict the same again?).
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

SCHEDULED = 1024  # places whose purposes are worked out at once
MOST_RANKED = 200  # takes that get an active-learning rank beforehand


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


def teaching_order(information: np.ndarray, heard: np.ndarray, most: int = MOST_RANKED) -> np.ndarray:
    """Return the rows of the unheard takes that teach most about the tolerances, in the order to hear them.

    The gain of a take with information i over what is known, k, is sum_t log(1 + i_t / (k_t + 1)) over tolerances t
    (D-optimal design for independent parameters, Chaloner and Verdinelli, Statistical Science 10, 1995). The take
    with the greatest gain comes first and counts as known for those after it, so that they teach something else.

    Parameters
    ----------
    information : ndarray, shape (take, tolerance)
        Fisher information of a verdict on the take about each tolerance, in units of the prior's own; >= 0.
    heard : ndarray of bool, shape (take,)
    most : int
        As many are put in order at most.

    Returns
    -------
    ndarray of int, shape (at most ``most``,)
    """
    rows, known = np.flatnonzero(~heard), 1.0 + information[heard].sum(axis=0)
    left, order = information[rows], list[int]()
    for _ in range(min(most, len(rows))):
        gain = np.log1p(left / known).sum(axis=1)
        gain[order] = -1.0
        order.append(int(np.argmax(gain)))
        known = known + left[order[-1]]
    return rows[order]
