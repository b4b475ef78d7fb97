"""Verdict rows: the labelled notes of some sessions as one matrix, subsampled where there are more than a fit needs.

Examples of sessions go in; rows of features and vectors come out, each with the label that it belongs to. The rows of
a take's label are one group: the label means that at least one of them is bad, or that none is.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from training.verdict_examples import ANY, VerdictExamples


@dataclass(frozen=True)
class VerdictRows:
    """All labels of some sessions, flat: ``group`` numbers the label that each row belongs to."""

    matrix: np.ndarray  # (row, feature)
    components: np.ndarray  # (row, component)
    group: np.ndarray  # (row,)
    rejected: np.ndarray  # (group,)
    kind: np.ndarray  # (group,) column of the kind, -1 for any
    weight: np.ndarray  # (group,) how many labels it represents


def principal_axes(sessions: Sequence[VerdictExamples], components: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the directions in which relative vectors vary most [shape=(dimension, component)] and how far."""
    vectors = np.concatenate([one.relative for one in sessions]).astype(float)
    second = vectors.T @ vectors / max(1, len(vectors))
    values, axes = np.linalg.eigh(second)
    count = min(components, len(values))
    return axes[:, ::-1][:, :count], np.sqrt(np.maximum(values[::-1][:count], 1e-9))


def verdict_rows(
    sessions: Sequence[VerdictExamples], kinds: Sequence[str], basis: np.ndarray, spread: np.ndarray
) -> VerdictRows:
    """Return all labels of the sessions as one flat set."""
    rows = [(one, own) for one in sessions for own in one.rows]
    labels = [label for one in sessions for label in one.labels]
    column = {kind: i for i, kind in enumerate(kinds)}
    matrix = [one.features.matrix[np.concatenate([np.zeros(0, int), *one.rows])] for one in sessions]
    vectors = [(one.relative[np.concatenate([np.zeros(0, int), *one.rows])] @ basis) / spread for one in sessions]
    return VerdictRows(
        np.concatenate(matrix),
        np.concatenate(vectors),
        np.repeat(np.arange(len(rows)), [len(own) for _, own in rows]),
        np.array([label.rejected for label in labels], float),
        np.array([column.get(label.kind, -1) if label.kind != ANY else -1 for label in labels], int),
        np.ones(len(labels)),
    )


def subsampled(rows: VerdictRows, most: int, seed: int) -> VerdictRows:
    """Return a weighted random sample of the labels with at most about ``most`` rows.

    Labels with a reject get half of the rows; each sampled label is weighted by the inverse of its probability, which
    keeps the likelihood unbiased (Horvitz and Thompson, JASA 47, 1952).
    """
    if len(rows.group) <= most:
        return rows
    rng, bad, size = np.random.default_rng([seed, len(rows.group)]), rows.rejected > 0, np.bincount(rows.group)
    for_bad = min(size[bad].sum(), max(most / 2, most - size[~bad].sum()))
    share = np.where(bad, for_bad / max(1, size[bad].sum()), (most - for_bad) / max(1, size[~bad].sum()))
    share = np.minimum(share, 1.0)
    sampled = rng.random(len(bad)) < share
    index, place = np.flatnonzero(sampled[rows.group]), np.cumsum(sampled) - 1
    return VerdictRows(
        rows.matrix[index],
        rows.components[index],
        place[rows.group[index]],
        rows.rejected[sampled],
        rows.kind[sampled],
        (rows.weight / share)[sampled],
    )
