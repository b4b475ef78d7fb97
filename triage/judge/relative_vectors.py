"""Relative vectors: how a note's embedding differs from its neighbours' in the cohort.

Room, microphone, instrument and pitch are much the same for the neighbours, so the difference keeps how the note was
played. Embeddings (note, dimension) go in, differences of the same shape come out.
"""

import numpy as np

NEIGHBOURS = 8
OWN_TAKE = 3.0  # semitones that a note of the same take counts as further away: a take may be off as a whole


def relative_vectors(embedding: np.ndarray, cohort: np.ndarray, pitch: np.ndarray, take: np.ndarray) -> np.ndarray:
    """Return each note's vector less the median of its neighbours'.

    d_i = z_i - median_j z_j over the NEIGHBOURS notes j of the cohort that are nearest in pitch; a note of the same
    take counts OWN_TAKE semitones further, so that a take that is off as a whole stays off.

    Parameters
    ----------
    embedding : ndarray, shape (note, dimension)
    cohort : ndarray, shape (note,)
        Label of the cohort.
    pitch : ndarray, shape (note,)
        MIDI; NaN counts as the cohort's middle.
    take : ndarray, shape (note,)

    Returns
    -------
    ndarray, shape (note, dimension), float32
        0 for a note that is alone in its cohort or has no vector.
    """
    out = np.zeros(embedding.shape, np.float32)
    known = np.isfinite(embedding).all(axis=1)
    for label in np.unique(cohort[known]):
        mine = np.flatnonzero((cohort == label) & known)
        if len(mine) > 1:
            out[mine] = _less_neighbours(embedding[mine], pitch[mine], take[mine])
    return out


def _less_neighbours(vectors: np.ndarray, pitch: np.ndarray, take: np.ndarray) -> np.ndarray:
    pitch = np.nan_to_num(pitch, nan=float(np.nanmedian(pitch)) if np.isfinite(pitch).any() else 0.0)
    count = min(NEIGHBOURS, len(vectors) - 1)
    out = np.empty(vectors.shape)
    for i, vector in enumerate(vectors):
        away = np.abs(pitch - pitch[i]) + OWN_TAKE * (take == take[i])
        away[i] = np.inf
        out[i] = vector - np.median(vectors[np.argpartition(away, count - 1)[:count]], axis=0)
    return out
