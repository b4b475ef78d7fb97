"""What a note should have measured, judged by its neighbours: expected value, scale and z for one measurement.

In: one measurement of every note (any unit; take logarithms before), with pitch (MIDI), cohort, wider cohort and
take. Out: arrays of the same length. The model of a value is

    robust trend over the cohort's pitches + offset of that pitch in the wider cohort + offset of the cell + noise

each learned from other notes only, other takes first, and each shrunk according to the session's own scatter.
Bad notes lose their weight (bisquare), so they neither mask one another nor bias their neighbours.
"""

from dataclasses import dataclass, replace

import numpy as np

from triage.domain.errors import JudgeError
from triage.judge.neighbours import (
    Neighbourhood,
    Notes,
    cohort_line,
    first_rows,
    group_sum,
    index_notes,
    neighbourhood,
    own_trend,
)
from triage.judge.robust import bisquare, group_median, group_scale2, local_line, weighted_median

PRIOR_NOTES = 4.0  # a cohort's scale^2 is shrunk as if the wider cohort's had been seen on 4 notes
TAKE_NOTES = 4  # from so many notes of a cohort on, a take has an offset of its own
TAKE_PRIOR = (8.0, 0.25)  # takes seen beforehand, and their variance relative to that between notes
ROUNDS = 10  # of reweighting
LEAST_PAIRED_WEIGHT = 0.1  # bisquare, at 3.9 sigma: what is further off says nothing of the spread inside a cell
LEAST_WEIGHT = 1e-9  # so that a note with only bad neighbours is still judged
NO_TREND = 1e9  # variance ratio that gives the cell all the weight
TINY = 1e-300  # keeps 0 / 0 at 0


@dataclass(frozen=True)
class Expectation:
    """What every note should have measured; arrays of shape (n_notes,), NaN where it is unknown."""

    expected: np.ndarray  # unit of the values
    scale: np.ndarray  # unit of the values: the sigma of value - expected for a good note
    z: np.ndarray  # (value - expected) / scale, without unit
    n: np.ndarray  # how many other notes the expected value rests on; fractions, for weights fall with distance


def expect(
    values: np.ndarray,
    pitch: np.ndarray,
    cohort: np.ndarray,
    wider: np.ndarray,
    take: np.ndarray,
    floor: float,
    error: np.ndarray | None = None,
) -> Expectation:
    """Return what each note should have measured, how closely that is known, and how far off the note is.

    trend: local line over the cohort's other pitches, tricube kernel reaching 0 at 7 semitones (further where the
    cohort is not chromatic: 7/3 of the distance to the third nearest pitch), bisquare reweighted from a median
    start, slopes shrunk toward the wider cohort's Theil-Sen line. Notes of the same take are left out as far as
    other takes cover the neighbourhood. offset = m V (mean - trend) / (m V + s^2) with m other notes of the same
    cell, V the variance of a cell about the trend and s^2 that inside a cell: a best linear prediction. scale^2 =
    s^2 + V s^2 / (m V + s^2) + take variance; s^2 and V per cohort, moderated toward the wider cohort and session.

    Parameters
    ----------
    values : ndarray, shape (n,)
        One measurement; NaN where it is unknown: such a note stays NaN and does not count.
    pitch : ndarray, shape (n,)
        MIDI; notes with NaN are judged among themselves.
    cohort, wider, take : ndarray, shape (n,)
        Labels of one sortable kind each; all notes of a cohort belong to the same wider cohort.
    floor : float
        Least scale, in the unit of the values (resolution or just noticeable difference), > 0.

    error : ndarray, shape (n,), optional
        Standard errors of the values, NaN where unknown. What is usual in the cohort (its median) is part of its
        scatter; a note measured less closely than that is judged by a scale^2 wider by error^2 - median^2, and counts
        for others by scale^2 / (scale^2 + that). Equal errors, like none, change nothing.

    Returns
    -------
    Expectation
        A note alone in its cohort has n = 0 and NaN elsewhere: nothing is known of what it should be. The result does
        not depend on the order of the notes.

    Raises
    ------
    JudgeError
        If the arrays differ in length, a value is infinite, or floor is not above 0.

    References
    ----------
    Cleveland, JASA 74, 1979 (robust local regression); Theil, 1950, and Sen, JASA 63, 1968 (line); Beaton and
    Tukey, 1974 (bisquare); Robinson, Statistical Science 6, 1991 (best linear prediction); Smyth, Statistical
    Applications in Genetics and Molecular Biology 3, 2004 (moderated variance).
    """
    values = np.asarray(values, dtype=float)
    error = np.full(len(values), np.nan) if error is None else np.asarray(error, dtype=float)
    _check(values, (pitch, cohort, wider, take, error), floor)
    expected, scale, n = np.full(len(values), np.nan), np.full(len(values), np.nan), np.zeros(len(values))
    rows, notes = index_notes(values, np.asarray(pitch, dtype=float), cohort, wider, take)
    if rows.size:
        expected[rows], scale[rows], n[rows] = _expect(notes, floor, _unusual(error[rows], notes.cohort))
    off = values - expected
    off[np.abs(off) < 1e-9 * floor] = 0.0  # less than a billionth of what can be noticed is rounding
    return Expectation(expected, scale, off / scale, n)


def _check(values: np.ndarray, labels: tuple[np.ndarray, ...], floor: float) -> None:
    lengths = [len(values), *(len(label) for label in labels)]
    if len(set(lengths)) > 1:
        raise JudgeError(f"values, pitch, cohort, wider, take and error must be of one length, found {lengths}")
    if np.isinf(values).any():
        raise JudgeError(f"{np.isinf(values).sum()} values are infinite; expected finite or NaN (log of 0?)")
    if not 0 < floor < np.inf:
        raise JudgeError(f"floor is {floor:g}; expected the least scale that makes sense, above 0")


def _unusual(error: np.ndarray, cohort: np.ndarray) -> np.ndarray:
    """Return by how much a squared error is above the usual one of its cohort; 0 where it is not, or unknown."""
    known = np.isfinite(error)
    usual = np.nan_to_num(group_median(error[known], cohort[known], cohort.max() + 1))[cohort]
    return np.maximum(np.where(known, error, 0.0) ** 2 - usual**2, 0.0)


def _expect(notes: Notes, floor: float, extra: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return expected, scale and n of notes that all have a value; ``extra``: variance of what is less close."""
    near, line = neighbourhood(notes), cohort_line(notes)
    notes = replace(notes, y=notes.y - line)
    trend, n_trend, u, precision = _trend(notes, near, floor, extra)
    fair, take_u = _without_takes(notes.y - trend, notes, floor)
    u = u * take_u
    shared = _shared_offset(fair, u * (n_trend > 0), notes)
    about, within = _variances(fair, shared, n_trend, u, notes, precision)
    trend, n_trend, keep = own_trend(notes, near, u)
    centre = trend + shared
    m, peers, total = _peers(notes, u, keep, centre)
    # V: where the cell may lie about its centre; without any trend the cell alone decides
    v = np.maximum(about - within, 0.0) + about / np.maximum(n_trend, 1.0 / NO_TREND)
    v = np.where(n_trend > 0, v, NO_TREND * (within + floor**2))
    # a cell beyond 3 sigma of its neighbours gets little weight, however well its notes agree: all of it may be off
    trust = np.where(n_trend > 0, np.minimum(1.0, 3.0 * m / np.maximum(peers, TINY)), 1.0)
    gain = np.where(peers > 0, trust, 0.0) * v / np.maximum(m * v + within, np.where(peers > 0, TINY, 1.0))
    expected, scale2 = centre + gain * total, within + v * (1.0 - gain * m)
    scale2 = scale2 + _take_variance(notes.y - expected, np.maximum(scale2, floor**2), keep, notes)
    scale2 = np.maximum(scale2, floor**2) + extra
    n = n_trend + peers
    known = np.where(n > 0, 1.0, np.nan)
    return known * (line + expected), known * np.sqrt(scale2), n


def _trend(
    notes: Notes, near: Neighbourhood, floor: float, extra: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return the cohort's trend at every note without its own cell, its n, and every note's weight and precision.

    precision = scale^2 / (scale^2 + extra), 1 for a note measured as closely as usual; weight = bisquare precision.
    """
    middle = group_median(notes.y, notes.cell, len(near.index))
    places = np.column_stack([middle, middle[near.index]])
    start = weighted_median(places, np.column_stack([np.ones(len(middle)), near.kernel]))
    height, n, precision = start, np.zeros(len(middle)), np.ones(len(notes.y))
    for _ in range(ROUNDS):
        off = notes.y - height[notes.cell]
        sigma2 = np.maximum(_moderated(off * np.sqrt(precision), notes), floor**2)
        precision = sigma2 / (sigma2 + extra)
        u = np.maximum(bisquare(off / np.sqrt(sigma2 + extra)) * precision, LEAST_WEIGHT)
        weight, weight2, total = (group_sum(x, notes.cell)[near.index] for x in (u, u**2, u * notes.y))
        share, n = local_line(weight, weight2, near.away, near.kernel, near.ridge)
        height = np.where(n > 0, (share * total).sum(axis=1), start)
    return height[notes.cell], n[notes.cell], u, precision


def _moderated(
    off: np.ndarray,
    notes: Notes,
    use: np.ndarray | None = None,
    prior: float | None = None,
    freedom: np.ndarray | None = None,
) -> np.ndarray:
    """Return the robust mean square of every note's cohort, moderated by its wider cohort and the session.

    ``freedom`` is how many degrees of freedom each residual brings, 1 unless it is given.
    """
    use = np.ones(len(off), dtype=bool) if use is None else use
    freedom = np.ones(len(off)) if freedom is None else freedom

    def shrunk(group: np.ndarray, above: np.ndarray | float | None) -> np.ndarray:
        count = group.max() + 1
        square = group_scale2(off[use], group[use], count)[0]
        if above is None:
            return square
        seen = np.bincount(group[use], freedom[use], count)
        return np.asarray((PRIOR_NOTES * above + seen * square) / (PRIOR_NOTES + seen))

    top = shrunk(np.zeros(len(off), dtype=int), prior)
    wide = shrunk(notes.wider, top)
    return shrunk(notes.cohort, wide[notes.wider[first_rows(notes.cohort)]])[notes.cohort]


def _without_takes(off: np.ndarray, notes: Notes, floor: float) -> tuple[np.ndarray, np.ndarray]:
    """Return residuals without their take's own offset, and the leave-one-take-out weight of every note.

    An offset must not widen the scale. A take that lies apart from most others of its cohort has no weight in
    their expectation; of two takes either may be the one that is off, and both keep theirs.
    """
    count, cohorts = notes.part.max() + 1, notes.cohort.max() + 1
    enough = np.bincount(notes.part, minlength=count) >= TAKE_NOTES
    offset = np.where(enough, group_median(off, notes.part, count), 0.0)
    fair, cohort = off - offset[notes.part], notes.cohort[first_rows(notes.part)]
    apart = offset - np.nan_to_num(group_median(offset[enough], cohort[enough], cohorts))[cohort]
    several = enough & (np.bincount(cohort[enough], minlength=cohorts) >= 3)[cohort]
    sigma = np.sqrt(np.maximum(_moderated(fair, notes), floor**2))
    weight = bisquare(np.where(several, apart, 0.0)[notes.part] / sigma)
    return fair, np.maximum(weight, LEAST_WEIGHT)


def _shared_offset(fair: np.ndarray, u: np.ndarray, notes: Notes) -> np.ndarray:
    """Return what the wider cohort's other cohorts, in other takes, show in common at a note's pitch, shrunk."""
    spot = np.unique(np.column_stack([notes.wider, notes.pitch]), axis=0, return_inverse=True)[1].ravel()
    spot_take = np.unique(spot * (notes.take.max() + 1) + notes.take, return_inverse=True)[1]

    def others(x: np.ndarray) -> np.ndarray:
        groups = (spot, notes.cell, spot_take, notes.unit)
        return sum(sign * group_sum(x, g)[g] for sign, g in zip((1, -1, -1, 1), groups, strict=True))

    n, total = others(u), others(u * fair)
    use = n > 0.5
    n, total = np.where(use, n, 0.0), np.where(use, total, 0.0)
    rest = (fair - total / np.maximum(n, 0.5)) / np.sqrt(1.0 + 1.0 / np.maximum(n, 0.5))
    noise = _moderated(rest, notes, use)
    common = np.maximum(_moderated(fair, notes, use) - noise, 0.0)
    return common * total / np.maximum(n * common + noise, TINY)


def _variances(
    fair: np.ndarray, shared: np.ndarray, n_trend: np.ndarray, u: np.ndarray, notes: Notes, precision: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return a note's variance about its centre, and that about the other notes of its cell.

    The second is part of the first and so never more; where few cells repeat it is shrunk toward the first, by the
    degrees of freedom that were seen. A note without weight (a noise cut as one) shows neither.
    """
    use = n_trend > 0
    m = group_sum(u, notes.cell)[notes.cell] - u
    paired = m > 0.5
    safe = np.where(paired, m, 1.0)
    mean = (group_sum(u * fair, notes.cell)[notes.cell] - u * fair) / safe
    inside = (fair - mean) / np.sqrt(1.0 / precision + 1.0 / safe)
    about = (fair - shared) / np.sqrt(1.0 / precision + 1.0 / np.where(use, n_trend, 1.0))
    if not use.any():
        within = _moderated(inside, notes, paired)
        return within, within
    total = _moderated(about, notes, use)
    paired &= u > LEAST_PAIRED_WEIGHT
    if not paired.any():
        return total, total
    within = _moderated(inside, notes, paired, float(np.median(total)), u * safe / (1.0 + safe))
    return total, np.minimum(within, total)


def _peers(
    notes: Notes, u: np.ndarray, keep: np.ndarray, centre: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return weight and number of the other notes of a note's cell, and their weighted sum about its centre."""

    def others(x: np.ndarray) -> np.ndarray:
        cell, unit = group_sum(x, notes.cell)[notes.cell], group_sum(x, notes.unit)[notes.unit]
        return cell - unit + keep * (unit - x)

    peers = others(np.ones_like(u))
    some = peers > 1e-9
    m = np.where(some, np.maximum(others(u), 0.0), 0.0)
    return m, np.where(some, peers, 0.0), np.where(some, others(u * notes.y) - m * centre, 0.0)


def _take_variance(off: np.ndarray, scale2: np.ndarray, keep: np.ndarray, notes: Notes) -> np.ndarray:
    """Return what ordinary differences between takes add to a note that is judged by other takes."""
    count = notes.part.max() + 1
    size = np.bincount(notes.part, minlength=count)
    apart = np.bincount(notes.part, keep, count) < 0.5 * size
    usable = np.flatnonzero(apart & (size >= TAKE_NOTES))
    offset = group_median(off / np.sqrt(scale2), notes.part, count)[usable]
    seen = len(usable) - len(np.unique(notes.cohort[first_rows(notes.part)][usable]))
    square = group_scale2(offset, np.zeros(len(usable), dtype=int), 1)[0][0]
    takes, ratio = TAKE_PRIOR
    return (1.0 - keep) * scale2 * (takes * ratio + seen * square) / (takes + seen)
