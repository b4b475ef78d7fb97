"""Notes that are unlike the others of their cohort, whatever the cause: higher always means "listen sooner".

In: embeddings of notes [shape=(note, dimension)], or the z of many measurements [shape=(note, measurement)]. Out:
one score a note, near 0 for an ordinary one and comparable between cohorts (about standard normal for good notes).
"""

from typing import TYPE_CHECKING

import numpy as np

from triage.domain.errors import JudgeError
from triage.judge.neighbours import Notes, first_rows, index_notes, neighbourhood
from triage.judge.robust import MAD_TO_SIGMA, bisquare, group_median, group_scale2, local_line, weighted_median

if TYPE_CHECKING:
    from sklearn.covariance import LedoitWolf

WINSOR = 3.0  # sigmas at which values are held while a covariance is learned
ROUNDS = 3  # of reweighting the trend
NEAR_SEMITONES = 7.0
PRIOR_NOTES = 4.0  # a cohort's own centre and spread of scores count n / (n + 4)
LEAST_DISTANCE = 1e-6  # in sigmas: less is rounding
TINY = 1e-12  # keeps 0 / 0 at 0


def local_knn(embedding: np.ndarray, cohort: np.ndarray, pitch: np.ndarray, take: np.ndarray, k: int) -> np.ndarray:
    """Return how far each note lies from its nearest neighbours, measured by how close those lie together.

    Embeddings are centred on a robust trend over the cohort's other pitches and whitened (Ledoit-Wolf, winsorised).
    score = mean over the k nearest notes y of the cohort of d(x, y) / r(y), r(y) being y's own mean distance to its
    k nearest, but no more than is usual within 7 semitones: bad notes that lie together must not excuse each other.
    Neighbours come from other takes where at least k notes of those lie within 7 semitones, or a take that is odd
    throughout would be its own reference. Result: log score, as robust z in the cohort; small cohorts are shrunk
    toward the session.

    Parameters
    ----------
    embedding : ndarray, shape (n, d)
        A note with NaN gets NaN.
    cohort, take : ndarray, shape (n,)
        Labels.
    pitch : ndarray, shape (n,)
        MIDI; NaN where not known.
    k : int
        Neighbours, >= 1; as many as there are in a cohort of k notes or fewer.

    Returns
    -------
    ndarray, shape (n,)
        NaN for a note alone in its cohort.

    Raises
    ------
    JudgeError
        If the arrays differ in length, or k is below 1.

    References
    ----------
    Wilkinghoff et al., arXiv 2509.10951, 2025; Breunig et al. (LOF), SIGMOD 2000; Ledoit and Wolf, 2004.
    """
    rows, notes, known = _indexed(embedding, cohort, pitch, take)
    if k < 1:
        raise JudgeError(f"k is {k}; expected at least 1 neighbour")
    score = np.full(len(embedding), np.nan)
    if rows.size > 1 and known.shape[1]:
        white = _whiten(_centred(known, notes))
        ratio = np.full(len(rows), np.nan)
        for members in np.split(np.arange(len(rows)), np.flatnonzero(np.diff(notes.cohort)) + 1):
            ratio[members] = _density_ratio(white[members], notes.pitch[members], notes.take[members], k)
        score[rows] = _comparable(ratio, notes.cohort)
    return score


def centre_distance(embedding: np.ndarray, cohort: np.ndarray, pitch: np.ndarray, take: np.ndarray) -> np.ndarray:
    """Return how far each note lies from the robust centre of its cohort.

    score = log |x - m|, m the local robust trend over the cohort's other pitches, as robust z in the cohort. No
    whitening: an encoder trained so that distance means a fault has its own scale.

    Parameters
    ----------
    embedding : ndarray, shape (n, d)
        A note with NaN gets NaN.
    cohort, take : ndarray, shape (n,)
        Labels.
    pitch : ndarray, shape (n,)
        MIDI; NaN where not known.

    Returns
    -------
    ndarray, shape (n,)
        NaN where there is nothing to compare with.

    Raises
    ------
    JudgeError
        If the arrays differ in length.
    """
    rows, notes, known = _indexed(embedding, cohort, pitch, take)
    score = np.full(len(embedding), np.nan)
    if rows.size > 1 and known.shape[1]:
        score[rows] = _comparable(np.linalg.norm(_centred(known, notes), axis=1), notes.cohort)
    return score


def joint_deviation(z: np.ndarray) -> np.ndarray:
    """Return how far each note lies from its expectation over all measurements together.

    D^2 = z' C^-1 z, C the shrunk covariance of the winsorised z; measurements that move together count once. D^2 is
    taken to a standard normal with as many degrees of freedom as the note has measurements.

    Parameters
    ----------
    z : ndarray, shape (n, m)
        Deviations from cohorts.expect, NaN where not known.

    Returns
    -------
    ndarray, shape (n,)
        NaN for a note without any measurement.

    References
    ----------
    Mahalanobis, 1936; Ledoit and Wolf, J. Multivariate Analysis 88, 2004; Wilson and Hilferty, PNAS 17, 1931.
    """
    z = np.asarray(z, dtype=float)
    known = np.isfinite(z)
    filled, df = np.where(known, z, 0.0), known.sum(axis=1)
    scored = df > 0
    score = np.full(len(z), np.nan)
    if scored.any():
        # zeros stand in for what is not known; without this they would pass for a small variance
        clipped = np.clip(filled[scored], -WINSOR, WINSOR) / np.sqrt(np.maximum(known[scored].mean(axis=0), TINY))
        precision = _shrunk_covariance(clipped).precision_
        square, cut = np.einsum("ni,ij,nj->n", filled[scored], precision, filled[scored]), 2.0 / (9.0 * df[scored])
        score[scored] = (np.cbrt(square / df[scored]) - (1.0 - cut)) / np.sqrt(cut)
    return score


def _indexed(
    embedding: np.ndarray, cohort: np.ndarray, pitch: np.ndarray, take: np.ndarray
) -> tuple[np.ndarray, Notes, np.ndarray]:
    """Return the rows with a vector in canonical order, their groups and their vectors."""
    embedding = np.asarray(embedding, dtype=float)
    if embedding.ndim != 2 or len({len(embedding), len(cohort), len(pitch), len(take)}) > 1:
        raise JudgeError(f"embedding must be (note, dimension) with one label a note, found {embedding.shape}")
    whole = np.where(np.isfinite(embedding).all(axis=1), 0.0, np.nan)
    rows, notes = index_notes(whole, np.asarray(pitch, dtype=float), cohort, cohort, take)
    return rows, notes, embedding[rows]


def _centred(x: np.ndarray, notes: Notes) -> np.ndarray:
    """Return embeddings less the local robust line over the other pitches of their cohort."""
    near, cells = neighbourhood(notes), notes.cell.max() + 1
    middle = np.column_stack([group_median(column, notes.cell, cells) for column in x.T])
    weight = np.column_stack([np.ones(cells), near.kernel])
    index = np.column_stack([np.arange(cells), near.index])
    height = start = np.column_stack([weighted_median(column[index], weight) for column in middle.T])
    for _ in range(ROUNDS):
        length = np.linalg.norm(x - height[notes.cell], axis=1)
        usual = group_median(length, notes.cohort, notes.cohort.max() + 1)[notes.cohort]
        u = np.maximum(bisquare(length / np.maximum(MAD_TO_SIGMA * usual, LEAST_DISTANCE)), 1e-9)
        sums, sums2 = np.bincount(notes.cell, u), np.bincount(notes.cell, u**2)
        total = np.add.reduceat(u[:, None] * x, first_rows(notes.cell), axis=0)
        share, n = local_line(sums[near.index], sums2[near.index], near.away, near.kernel, near.ridge)
        height = sum(part[:, None] * total[place] for part, place in zip(share.T, near.index.T, strict=True))
        height = np.where(n[:, None] > 0, height, start)
    return x - height[notes.cell]


def _shrunk_covariance(x: np.ndarray) -> "LedoitWolf":
    from sklearn.covariance import LedoitWolf  # late: it takes longer to load than a listing does

    return LedoitWolf(assume_centered=True).fit(x)


def _whiten(x: np.ndarray) -> np.ndarray:
    """Return residuals scaled robustly, then turned and scaled so that their shrunk covariance is 1."""
    sigma = np.array([np.sqrt(group_scale2(column, np.zeros(len(x), dtype=int), 1)[0][0]) for column in x.T])
    x = x / np.where(sigma > 0, sigma, np.maximum(np.abs(x).mean(axis=0), LEAST_DISTANCE))
    covariance = _shrunk_covariance(np.clip(x, -WINSOR, WINSOR)).covariance_
    size, turn = np.linalg.eigh(covariance)
    return x @ (turn / np.sqrt(np.maximum(size, LEAST_DISTANCE)))


def _density_ratio(x: np.ndarray, pitch: np.ndarray, take: np.ndarray, k: int) -> np.ndarray:
    """Return the mean of distance / neighbour's own distance over the k nearest notes of one cohort."""
    from sklearn.metrics.pairwise import euclidean_distances

    if len(x) < 2:
        return np.full(len(x), np.nan)
    away: np.ndarray = euclidean_distances(x)
    away[away < LEAST_DISTANCE] = 0.0
    np.fill_diagonal(away, np.inf)
    other = take[:, None] != take
    near = np.abs(pitch[:, None] - pitch) <= NEAR_SEMITONES
    away[((other & near).sum(axis=1) >= k)[:, None] & ~other] = np.inf
    k = min(k, len(x) - 1)
    nearest = np.argpartition(away, k - 1, axis=1)[:, :k]
    distance = np.take_along_axis(away, nearest, axis=1)
    own = np.maximum(distance.mean(axis=1), LEAST_DISTANCE)
    tones, tone = np.unique(pitch, return_inverse=True)
    usual = np.array([np.median(own[np.abs(pitch - p) <= NEAR_SEMITONES]) for p in tones])[tone]
    return (distance / np.clip(own, 1e-3 * usual, usual)[nearest]).mean(axis=1)


def _comparable(ratio: np.ndarray, cohort: np.ndarray) -> np.ndarray:
    """Return log ratio as a robust z in its cohort, moderated by the session."""
    z = np.full(len(ratio), np.nan)
    scored = np.flatnonzero(np.isfinite(ratio))
    if not scored.size:
        return z
    log, group, count = np.log(np.maximum(ratio[scored], LEAST_DISTANCE)), cohort[scored], cohort.max() + 1
    size = np.bincount(group, minlength=count)
    own = size / (size + PRIOR_NOTES)
    middle = own * np.nan_to_num(group_median(log, group, count)) + (1.0 - own) * np.median(log)
    off = log - middle[group]
    session = group_scale2(off, np.zeros_like(group), 1)[0][0]
    scale2 = own * group_scale2(off, group, count)[0] + (1.0 - own) * session
    z[scored] = off / np.sqrt(np.where(scale2 > 0, scale2, 1.0))[group]
    return z
