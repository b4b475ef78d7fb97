"""Bags: all words of some sessions laid flat, and thinned where there are more rows than a fit needs.

Examples of sessions go in; rows of evidence and vectors come out, each with the word that it belongs to. A word about
a take is one bag of its notes: it says that one of them is bad, or that none is.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from training.verdict_examples import ANY, VerdictExamples


@dataclass(frozen=True)
class Bags:
    """All words of some sessions, flat: ``bag`` numbers the word that each row belongs to."""

    matrix: np.ndarray  # (row, evidence)
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


def bags_of(
    sessions: Sequence[VerdictExamples], kinds: Sequence[str], basis: np.ndarray, spread: np.ndarray
) -> Bags:
    """Return all words of the sessions as one flat set."""
    rows = [(one, own) for one in sessions for own in one.rows]
    words = [word for one in sessions for word in one.words]
    column = {kind: i for i, kind in enumerate(kinds)}
    matrix = [one.evidence.matrix[np.concatenate([np.zeros(0, int), *one.rows])] for one in sessions]
    vectors = [(one.relative[np.concatenate([np.zeros(0, int), *one.rows])] @ basis) / spread for one in sessions]
    return Bags(
        np.concatenate(matrix), np.concatenate(vectors),
        np.repeat(np.arange(len(rows)), [len(own) for _, own in rows]),
        np.array([word.rejected for word in words], float),
        np.array([column.get(word.kind, -1) if word.kind != ANY else -1 for word in words], int), np.ones(len(words)),
    )  # fmt: skip


def thinned(bags: Bags, most: int, seed: int) -> Bags:
    """Return at most about ``most`` rows that stand for all of them.

    Where there are more, words with a reject are drawn by lot for half of the rows, and single notes of the words
    without one for the rest (their likelihood is a product over notes); each drawn one counts for as many as were
    left out, so that the likelihood is what it was, but for chance (Horvitz and Thompson, JASA 47, 1952).
    """
    if len(bags.bag) <= most:
        return bags
    rng, bad = np.random.default_rng([seed, len(bags.bag)]), bags.rejected > 0
    row_bad = bad[bags.bag]
    kept = rng.random(len(bad)) < (share := min(1.0, most / 2 / max(1, row_bad.sum())))
    spare = most - min(row_bad.sum(), most / 2)
    single = ~row_bad & (rng.random(len(row_bad)) < (lone := min(1.0, spare / max(1, (~row_bad).sum()))))
    rows = np.flatnonzero((row_bad & kept[bags.bag]) | single)
    # A note drawn by itself becomes a word of its own.
    label = np.where(row_bad, bags.bag, len(bad) + np.arange(len(bags.bag)))[rows]
    owner = np.unique(label, return_index=True)
    bag, of = np.searchsorted(owner[0], label), bags.bag[rows][owner[1]]
    weight = bags.weight[of] / np.where(bad[of], share, lone)
    return Bags(bags.matrix[rows], bags.components[rows], bag, bags.rejected[of], bags.kind[of], weight)
