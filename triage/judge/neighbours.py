"""Neighbourhoods: notes in groups, nearby pitches of a cohort, and lines through them.

Labels and pitches (MIDI) of a session's notes go in; groups numbered from 0, the cells around each cell with
kernel weights, and the cohort's line come out. Nothing here judges: ``cohorts.py`` does, for one measurement.
"""

from dataclasses import dataclass

import numpy as np

from triage.judge.robust import group_median, local_line

REACH = 6  # neighbouring pitches of the cohort on either side
HALF_WIDTH = 7.0  # semitones at which the tricube kernel reaches 0, where the cohort is chromatic
SLOPE_RIDGE = 4.0  # semitones^2: keeps the line level where few neighbours lie on one side only
SLOPE_PITCHES = (3.0, 4.0)  # with n pitches the wider cohort's slope is trusted (n - 3) / (n - 3 + 4)


@dataclass(frozen=True)
class Notes:
    """Notes in canonical order, with the number of the group that each belongs to."""

    y: np.ndarray
    pitch: np.ndarray
    cohort: np.ndarray
    wider: np.ndarray
    take: np.ndarray
    cell: np.ndarray  # cohort x pitch
    unit: np.ndarray  # cohort x pitch x take
    part: np.ndarray  # cohort x take


@dataclass(frozen=True)
class Neighbourhood:
    """The neighbouring cells of every cell: index, semitones away, kernel weight; shape (n_cells, 2 * REACH)."""

    index: np.ndarray
    away: np.ndarray
    kernel: np.ndarray
    ridge: np.ndarray  # (n_cells,)


def index_notes(
    values: np.ndarray, pitch: np.ndarray, cohort: np.ndarray, wider: np.ndarray, take: np.ndarray
) -> tuple[np.ndarray, Notes]:
    """Return the rows with a value in an order that does not depend on theirs, and their groups.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Rows with NaN are left out.
    pitch : ndarray, shape (n,)
        MIDI, rounded here; notes with NaN form a cohort of their own.
    cohort, wider, take : ndarray, shape (n,)
        Labels of one sortable kind each.

    Returns
    -------
    rows : ndarray of int, shape (n_known,)
        Sorted by cohort, pitch, take and value.
    notes : Notes
        In the order of rows.
    """
    rows = np.flatnonzero(np.isfinite(values))
    unpitched = np.isnan(pitch[rows])
    tone = np.where(unpitched, 0.0, np.round(pitch[rows]))
    group, wide, pass_ = (np.unique(np.asarray(x)[rows], return_inverse=True)[1] for x in (cohort, wider, take))
    group = np.unique(2 * group + unpitched, return_inverse=True)[1]
    order = np.lexsort((values[rows], pass_, tone, group))
    group, tone, wide, pass_ = group[order], tone[order], wide[order], pass_[order]
    new_cell = np.diff(group, prepend=-1).astype(bool) | (np.diff(tone, prepend=-1.0) != 0)
    cell, unit = np.cumsum(new_cell) - 1, np.cumsum(new_cell | (np.diff(pass_, prepend=-1) != 0)) - 1
    part = np.unique(group * (len(rows) + 1) + pass_, return_inverse=True)[1]
    return rows[order], Notes(values[rows][order], tone, group, wide, pass_, cell, unit, part)


def group_sum(values: np.ndarray, group: np.ndarray) -> np.ndarray:
    """Return the sum of every group.

    Parameters
    ----------
    values : ndarray, shape (n,)
    group : ndarray of int, shape (n,)

    Returns
    -------
    ndarray, shape (n_groups,)
    """
    return np.bincount(group, values)


def first_rows(group: np.ndarray) -> np.ndarray:
    """Return the first row of every group.

    Parameters
    ----------
    group : ndarray of int, shape (n,)

    Returns
    -------
    ndarray of int, shape (n_groups,)
    """
    return np.unique(group, return_index=True)[1]


def neighbourhood(notes: Notes) -> Neighbourhood:
    """Return the cells up to REACH pitches away in the same cohort, with tricube weights.

    kernel = (1 - |semitones / h|^3)^3, h = 7 semitones or 7/3 of the distance to the third nearest pitch (to the
    nearest, if there are fewer than three), whichever is more.

    Parameters
    ----------
    notes : Notes

    Returns
    -------
    Neighbourhood
        The cell itself is not among its neighbours.

    References
    ----------
    Cleveland, JASA 74, 1979.
    """
    first = first_rows(notes.cell)
    cohort, pitch = notes.cohort[first], notes.pitch[first]
    step = np.array([d for d in range(-REACH, REACH + 1) if d])
    place = np.arange(len(first))[:, None] + step
    index = np.clip(place, 0, len(first) - 1)
    there = (place == index) & (cohort[index] == cohort[:, None])
    away = np.where(there, pitch[index] - pitch[:, None], 0.0)
    near = np.sort(np.where(there, np.abs(away), np.inf), axis=1)
    third = np.where(np.isfinite(near[:, 2]), near[:, 2], np.where(np.isfinite(near[:, 0]), near[:, 0], 0.0))
    half = np.maximum(HALF_WIDTH, HALF_WIDTH / 3.0 * third)
    kernel = there * np.clip(1.0 - (np.abs(away) / half[:, None]) ** 3, 0.0, None) ** 3
    return Neighbourhood(index, away, kernel, SLOPE_RIDGE * (half / HALF_WIDTH) ** 2)


def cohort_line(notes: Notes) -> np.ndarray:
    """Return each note's place on its cohort's line: the wider cohort's Theil-Sen slope, the cohort's median.

    The slope is the median over all pairs of cell medians inside the cohorts, shrunk to 0 where pitches are few.

    Parameters
    ----------
    notes : Notes

    Returns
    -------
    ndarray, shape (n,)
        In the unit of the values.

    References
    ----------
    Theil, 1950; Sen, JASA 63, 1968.
    """
    first, count = first_rows(notes.cell), notes.wider.max() + 1
    cohort, pitch, wider = notes.cohort[first], notes.pitch[first], notes.wider[first]
    middle = group_median(notes.y, notes.cell, len(first))
    slopes, owners = [np.zeros(0)], [np.zeros(0, dtype=int)]
    for step in range(1, len(first)):  # ends at the largest cohort's number of pitches
        pair = np.flatnonzero(cohort[step:] == cohort[:-step])
        if not pair.size:
            break
        slopes.append((middle[pair + step] - middle[pair]) / (pitch[pair + step] - pitch[pair]))
        owners.append(wider[pair])
    slope = np.nan_to_num(group_median(np.concatenate(slopes), np.concatenate(owners), count))
    spare = np.bincount(wider, minlength=count) - np.bincount(wider[first_rows(cohort)], minlength=count)
    spare = np.maximum(
        spare - SLOPE_PITCHES[0], 0.0
    )  # two or three notes would define the line that they are compared with
    line = (slope * spare / (spare + SLOPE_PITCHES[1]))[notes.wider] * notes.pitch
    return line + group_median(notes.y - line, notes.cohort, notes.cohort.max() + 1)[notes.cohort]


def own_trend(notes: Notes, near: Neighbourhood, u: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the trend for each note's own take, its n, and how far notes of the same take were kept (1: all).

    They are dropped where other takes cover three quarters of the neighbourhood, kept where less than a quarter.

    Parameters
    ----------
    notes : Notes
    near : Neighbourhood
    u : ndarray, shape (n,)
        Weight of every note, 0 to 1; a bad note covers nothing.

    Returns
    -------
    trend, n, keep : ndarray, shape (n,)
        trend in the unit of the values, 0 where n is 0.
    """
    first, takes = first_rows(notes.unit), notes.take.max() + 1
    cell, take = notes.cell[first], notes.take[first]
    index, kernel = near.index[cell], near.kernel[cell]
    known, wanted = cell * takes + take, index * takes + take[:, None]
    place = np.minimum(np.searchsorted(known, wanted), len(known) - 1)
    same = known[place] == wanted

    def split(x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        return group_sum(x, notes.cell)[index], np.where(same, group_sum(x, notes.unit)[place], 0.0)

    (all_u, same_u), (all_u2, same_u2), (all_y, same_y) = (split(x) for x in (u, u**2, u * notes.y))
    here = np.clip(group_sum(u, notes.cell)[cell] - group_sum(u, notes.unit), 0.0, 1.0)
    covered = (kernel * np.clip(all_u - same_u, 0.0, 1.0)).sum(axis=1) + here
    keep = np.clip(1.5 - 2.0 * covered / (kernel.sum(axis=1) + 1.0), 0.0, 1.0)
    drop = 1.0 - keep[:, None]
    weight = np.maximum(all_u - drop * same_u, 0.0)
    weight2 = np.maximum(all_u2 - (1.0 - (1.0 - drop) ** 2) * same_u2, 0.0)
    share, n = local_line(weight, weight2, near.away[cell], kernel, near.ridge[cell])
    height = (share * (all_y - drop * same_y)).sum(axis=1)
    return height[notes.unit], n[notes.unit], keep[notes.unit]
