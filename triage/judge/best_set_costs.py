"""The costs of a set of notes: costs of keeping a note, of two notes of one pitch, of two at neighbouring pitches.

In: candidates of one instrument, articulation and dynamic: pitch (MIDI), measurements on their compared axes,
chance of a reject, embedding. Out: ``Costs``, arrays over candidates. A cost of 1 is one robust sigma of difference
on every measurement, or a note that two in three producers would keep; the weights are common practice, no
source.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from triage.domain.errors import JudgeError
from triage.domain.measurements import COMPARED
from triage.judge.robust import mad

# Length, level, tone, attack, tuning: one measurement each, so that nothing counts twice.
BETWEEN_KEYS = ("length_s", "level_dbfs", "centroid_hz", "attack_s", "cents")
NEAR_SEMITONES = 2  # whose candidates define what is usual at a pitch
REJECT_WEIGHT = 2.5
UNTIDY = 10.0  # a note that is not clean is kept only where there is no other
UNKNOWN = 0.5  # for each measurement that is unknown
REPEAT_WEIGHT = 0.5  # a difference between two repetitions against one between two keys
TWIN = 20.0  # the same performance twice: worse than any step
TWIN_SHARE = 0.25  # nearer than this share of the usual distance two repetitions begin to be twins
FAR = 2.0  # times the usual embedding distance, and two repetitions begin to sound like two instruments
MOST_REJECT = 0.99


@dataclass(frozen=True)
class Costs:
    """Costs between candidates of one cohort, in order of pitch.

    own: shape (n,); apart: shape (n, n), for two of neighbouring pitches, to be divided by their distance in
    semitones; together: shape (n, n), for two of the same pitch; axes: shape (n, measurement), robust units.
    """

    pitch: np.ndarray
    own: np.ndarray
    apart: np.ndarray
    together: np.ndarray
    axes: np.ndarray


def axes_of(values: dict[str, np.ndarray]) -> np.ndarray:
    """Return the measurements of BETWEEN_KEYS on the axes that they are compared on.

    Parameters
    ----------
    values : dict of str to ndarray, shape (n,)
        With their units; NaN where unknown. Seconds and hertz become logarithms.

    Returns
    -------
    ndarray, shape (n, 5)
        NaN where unknown, or where a logarithm has none.
    """
    columns = []
    for name in BETWEEN_KEYS:
        value = np.asarray(values[name], dtype=float)
        columns.append(np.log(np.where(value > 0, value, np.nan)) if COMPARED[name].log else value)
    return np.stack(columns, axis=1) if columns else np.zeros((0, 0))


def robust_units(axes: np.ndarray, pitch: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return axes in robust units, and how many of each note's measurements are unknown.

    u = (x - median(x)) / sigma, sigma = 1.4826 * median |x - usual|, usual = the median within 2 semitones; never
    below the measurement's own floor. An unknown one takes the usual value.

    Parameters
    ----------
    axes : ndarray, shape (n, measurement)
        As axes_of returns.
    pitch : ndarray, shape (n,)
        MIDI.

    Returns
    -------
    units : ndarray, shape (n, measurement)
        Finite. A natural slope over the keyboard stays in it: it is the steps that are to be small.
    unknown : ndarray, shape (n,)
    """
    near = np.abs(pitch[:, None] - pitch[None, :]) <= NEAR_SEMITONES
    unknown = ~np.isfinite(axes)
    units = np.zeros_like(axes)
    for column, name in enumerate(BETWEEN_KEYS):
        known = np.flatnonzero(~unknown[:, column])
        if not known.size:
            continue
        own = axes[known, column]
        # Every candidate has itself near, so only an unknown one can be without any: it takes the median of all.
        around = [own[near[row, known]] for row in range(len(axes))]
        usual = np.array([np.median(x) if x.size else np.median(own) for x in around])
        sigma = mad(own - usual[known], COMPARED[name].least_scale)
        filled = np.where(unknown[:, column], usual, axes[:, column])
        units[:, column] = (filled - np.median(own)) / sigma
    return units, unknown.sum(axis=1)


def costs_of(
    pitch: np.ndarray, axes: np.ndarray, reject: np.ndarray, clean: np.ndarray, embedding: np.ndarray | None = None
) -> Costs:
    """Return the costs between candidates.

    own = -2.5 ln(1 - reject) + 10 if not clean + 0.5 for each unknown measurement; apart = mean_m (u_a - u_b)^2;
    together = 0.5 (apart + max(0, e - 2)^2) + 20 max(0, 1 - max(e, sqrt(apart)) / 0.25), e = distance of the
    embeddings over its median among notes of one pitch (left out where there are none)

    Parameters
    ----------
    pitch : ndarray, shape (n,)
        MIDI, not falling.
    axes : ndarray, shape (n, measurement)
        As axes_of returns.
    reject : ndarray, shape (n,)
        Chance of a reject, 0 to 1; 0 where a person accepted.
    clean : ndarray of bool, shape (n,)
    embedding : ndarray, shape (n, dimension), or None
        Rows of NaN where a note has none.

    Returns
    -------
    Costs

    Raises
    ------
    JudgeError
        If the pitches fall, or the arrays differ in length.
    """
    lengths = {len(pitch), len(axes), len(reject), len(clean)}
    if len(lengths) > 1 or (np.diff(pitch) < 0).any():
        raise JudgeError(f"candidates must be of one length and in order of pitch, found lengths {sorted(lengths)}")
    units, unknown = robust_units(axes, pitch)
    square = ((units[:, None, :] - units[None, :, :]) ** 2).mean(axis=2) if len(units) else np.zeros((0, 0))
    same = pitch[:, None] == pitch[None, :]
    own = -REJECT_WEIGHT * np.log1p(-np.clip(np.nan_to_num(reject, nan=0.5), 0.0, MOST_REJECT))
    own = own + np.where(clean, 0.0, UNTIDY) + UNKNOWN * unknown
    together = np.where(same & ~np.eye(len(pitch), dtype=bool), _together(square, same, embedding), 0.0)
    return Costs(pitch, own, square, together, units)


def roughness(axes: np.ndarray, numbered: Sequence[Mapping[int, int]]) -> float:
    """Return how far each repetition steps from one pitch to the next, in robust units.

    mean over neighbouring pitches of mean over their common repetitions and all measurements of |u_a - u_b|

    Parameters
    ----------
    axes : ndarray, shape (n, measurement)
        Robust units, as in Costs.
    numbered : sequence of mapping of int to int
        Repetition number to row, one mapping a pitch, in order of pitch; empty ones are passed over.

    Returns
    -------
    float
        NaN where no two neighbouring pitches have a repetition in common.
    """
    steps = []
    for low, high in pairwise([own for own in numbered if own]):
        both = sorted(low.keys() & high.keys())
        if both:
            steps.append(np.abs(axes[[low[n] for n in both]] - axes[[high[n] for n in both]]).mean())
    return float(np.mean(steps)) if steps else float("nan")


def _together(square: np.ndarray, same: np.ndarray, embedding: np.ndarray | None) -> np.ndarray:
    apart = np.sqrt(square)
    far = np.zeros_like(square)
    if embedding is not None and embedding.size:
        distance = np.sqrt(np.maximum(_squares(embedding), 0.0))
        pairs = distance[np.triu(same, 1) & np.isfinite(distance)]
        usual = float(np.median(pairs[pairs > 0])) if (pairs > 0).any() else 1.0
        ratio = np.nan_to_num(distance / usual, nan=1.0)
        far = np.maximum(0.0, ratio - FAR) ** 2
        apart = np.maximum(apart, ratio)
    return REPEAT_WEIGHT * (square + far) + TWIN * np.maximum(0.0, 1.0 - apart / TWIN_SHARE)


def _squares(rows: np.ndarray) -> np.ndarray:
    """Return squared distances between all rows, without holding every difference at once."""
    norms = (rows**2).sum(axis=1)
    return norms[:, None] + norms[None, :] - 2.0 * rows @ rows.T
