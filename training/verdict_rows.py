"""Bags: all words of some sessions laid flat, and thinned where there are more rows than a fit needs.

Examples of sessions go in; rows of features and vectors come out, each with the word that it belongs to. A word about
a take is one bag of its notes: it says that one of them is bad, or that none is.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from training.verdict_examples import ANY, VerdictExamples


@dataclass(frozen=True)
class Bags:
    """All words of some sessions, flat: ``bag`` numbers the word that each row belongs to."""

    matrix: np.ndarray  # (row, features)
    components: np.ndarray  # (row, component)
    bag: np.ndarray  # (row,)
    rejected: np.ndarray  # (bag,)
    kind: np.ndarray  # (bag,) column of the kind, -1 for any
    weight: np.ndarray  # (bag,) how many words it stands for


def basis_of(sessions: Sequence[VerdictExamples], components: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the directions in which relative vectors vary most [shape=(dimension, component)] and how far."""
    vectors = np.concatenate([one.relative for one in sessions]).astype(float)
    second = vectors.T @ vectors / max(1, len(vectors))
    values, axes = np.linalg.eigh(second)
    count = min(components, len(values))
    return axes[:, ::-1][:, :count], np.sqrt(np.maximum(values[::-1][:count], 1e-9))


def bags_of(sessions: Sequence[VerdictExamples], kinds: Sequence[str], basis: np.ndarray, spread: np.ndarray) -> Bags:
    """Return all words of the sessions as one flat set."""
    rows = [(one, own) for one in sessions for own in one.rows]
    words = [word for one in sessions for word in one.words]
    column = {kind: i for i, kind in enumerate(kinds)}
    matrix = [one.features.matrix[np.concatenate([np.zeros(0, int), *one.rows])] for one in sessions]
    vectors = [(one.relative[np.concatenate([np.zeros(0, int), *one.rows])] @ basis) / spread for one in sessions]
    return Bags(
        np.concatenate(matrix),
        np.concatenate(vectors),
        np.repeat(np.arange(len(rows)), [len(own) for _, own in rows]),
        np.array([word.rejected for word in words], float),
        np.array([column.get(word.kind, -1) if word.kind != ANY else -1 for word in words], int),
        np.ones(len(words)),
    )


def thinned(bags: Bags, most: int, seed: int) -> Bags:
    """Return words with at most about ``most`` rows that stand for all of them.

    Where there are more, words are drawn by lot, those with a reject for half of the rows; each drawn one counts for
    as many as were left out, so that the likelihood is what it was, but for chance (Horvitz and Thompson, JASA 47,
    1952).
    """
    if len(bags.bag) <= most:
        return bags
    rng, bad, size = np.random.default_rng([seed, len(bags.bag)]), bags.rejected > 0, np.bincount(bags.bag)
    for_bad = min(size[bad].sum(), max(most / 2, most - size[~bad].sum()))
    share = np.where(bad, for_bad / max(1, size[bad].sum()), (most - for_bad) / max(1, size[~bad].sum()))
    share = np.minimum(share, 1.0)
    kept = rng.random(len(bad)) < share
    rows, place = np.flatnonzero(kept[bags.bag]), np.cumsum(kept) - 1
    return Bags(
        bags.matrix[rows],
        bags.components[rows],
        place[bags.bag[rows]],
        bags.rejected[kept],
        bags.kind[kept],
        (bags.weight / share)[kept],
    )
