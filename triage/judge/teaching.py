"""Teaching: which take to hear next for the model's sake, mixed into the ranked queue.

Most places of the queue go to the most doubtful take. A share goes to takes that would teach the model most (doubt
near a half, unlike what was heard), a small share to takes drawn at random (they tell what the tail still holds, see
``unheard.py``), and now and then a take comes back to the same person unannounced (does he say the same again?).
"""

from dataclasses import dataclass
from hashlib import blake2b

import numpy as np


@dataclass(frozen=True)
class Mix:
    """Shares of the queue's places, each 0 to 1; ``repeat`` is for blind repeats."""

    teach: float = 0.1
    random: float = 0.05
    repeat: float = 0.0


def purpose(place: int, mix: Mix) -> str:
    """Return what the queue's ``place`` (from 0) is for: doubt, teach, random or repeat.

    The places of a purpose with share s are those where floor((place + 1) s + phase) grows: evenly spread, s of all
    places in the long run, and the same at every call. Where two fall on one place the first of random, teach,
    repeat has it and the other moves on by one.
    """
    taken: dict[int, str] = {}
    for name, share, phase in (("random", mix.random, 0.5), ("teach", mix.teach, 0.25), ("repeat", mix.repeat, 0.75)):
        if share <= 0:
            continue
        due = np.floor(np.arange(1, place + 2) * share + phase)
        for at in np.flatnonzero(np.diff(np.r_[np.floor(phase), due]) > 0):
            while int(at) in taken:
                at += 1
            taken[int(at)] = name
    return taken.get(place, "doubt")


def lot(session: str, take: str) -> float:
    """Return a number from 0 to 1 that is the take's own for good: the random sample goes in its order."""
    digest = blake2b(f"{session}\n{take}".encode(), digest_size=8).digest()
    return int.from_bytes(digest, "big") / 2**64


def most_teaching(doubt: np.ndarray, vectors: np.ndarray, heard: np.ndarray) -> int | None:
    """Return the row of the unheard take that would teach most.

    score = 4 p (1 - p) * d, p the doubt (uncertainty, Lewis and Gale, SIGIR 1994) and d the distance of its vector to
    the nearest heard one over the median of those distances, at most 2 (representatives that are unlike what was
    heard: k-centre, Sener and Savarese, ICLR 2018).

    Parameters
    ----------
    doubt : ndarray, shape (take,)
    vectors : ndarray, shape (take, dimension)
        A row of NaN where a take has none: its distance is the usual one.
    heard : ndarray of bool, shape (take,)

    Returns
    -------
    int or None
        None if all are heard.
    """
    open_rows = np.flatnonzero(~heard)
    if not len(open_rows):
        return None
    p = np.clip(np.nan_to_num(doubt[open_rows], nan=0.5), 0, 1)
    far = np.ones(len(open_rows))
    known = heard & np.isfinite(vectors).all(axis=1)
    mine = np.isfinite(vectors[open_rows]).all(axis=1)
    if known.any() and mine.any():
        far[mine] = _nearest(vectors[open_rows[mine]], vectors[known])
        far[mine] = np.minimum(far[mine] / max(float(np.median(far[mine])), 1e-12), 2.0)
    return int(open_rows[np.argmax(4 * p * (1 - p) * far)])


def _nearest(rows: np.ndarray, others: np.ndarray) -> np.ndarray:
    squared = (rows**2).sum(axis=1)[:, None] - 2 * rows @ others.T + (others**2).sum(axis=1)[None, :]
    return np.sqrt(np.maximum(squared.min(axis=1), 0.0))
