"""Repetitions of a cell: how far they spread, and which two are too much alike to be two performances.

A table of notes goes in. Out: the spread of each quantity inside the cells of a cohort, with an interval; and pairs
of notes of one cell that agree as no two performances do, such as a take copied under another name or pasted in.
"""

from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2

from triage.domain.errors import JudgeError
from triage.judge.curves import QUANTITIES, measured
from triage.judge.features import COHORT, WIDER, on_axis
from triage.judge.note_table import NoteTable

CONFIDENCE = 0.9
# Measurements whose error is small beside the difference between two performances, whatever the gain.
DISCRIMINATING = (
    "cents",
    "attack_noise_db",
    "attack_overshoot_db",
    "attack_50_db",
    "attack_100_db",
    "attack_bright_db",
    "body_s",
    "length_s",
    "level_slope_db_s",
    "centroid_hz",
    "tilt_db_oct",
    "steadiness_db",
    "vibrato_cents",
    "harmonicity_db",
    "release_s",
)
AGREE, AGREE_TO_MEDIAN = 70.0, 1.537  # per cent of them, for noise and the frame grid disturb some in any copy; and
# what that percentile of |differences| of normal values is, in medians
TOO_ALIKE = 0.13  # of the usual difference; two performances came down to 0.2, copies up to 0.12
LEAST_PAIRS = 6  # to know what is usual
MOST_PAIRS = 5_000  # usual ones that are returned: a figure shows no more
MOST_IN_CELL = 100
AT_ONCE = 20_000  # pairs compared; so many also tell what is usual
APART = 1.2  # of the usual distance: a copy's frames fall elsewhere on it, its embedding lies up to 1.0 away
UPPER, UPPER_TO_MEDIAN = 75.0, 1.705  # of |differences| of normal values: holds though half the pairs are copies


@dataclass(frozen=True)
class Anova:
    """A one-way layout: sums of squares between and within groups, their degrees of freedom, and F."""

    between: float
    within: float
    df_between: int
    df_within: int

    @property
    def f(self) -> float:
        """Return the ratio of the mean squares, infinite where the groups' values are all equal."""
        within = self.within / self.df_within if self.df_within else float("nan")
        return (self.between / self.df_between) / within if within and self.df_between else float("inf")


@dataclass(frozen=True)
class Repeats:
    """How far the repetitions of a cell spread in one cohort: one sigma, on the compared axis."""

    instrument: str
    articulation: str
    dynamic: str
    mic: str
    quantity: str
    sigma: float
    low: float  # 90 % interval
    high: float
    cells: int
    notes: int


@dataclass(frozen=True)
class Pair:
    """Two notes of one cell, as rows of the table, and how alike they are: 1 is usual, 0 the same."""

    first: int
    second: int
    alike: float  # difference of the discriminating measurements, relative to the cohort's usual one
    distance: float  # of their embeddings, relative to the cohort's usual one
    too_alike: bool


def one_way(values: np.ndarray, group: np.ndarray) -> Anova:
    """Return the analysis of variance of a one-way layout, in two passes.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Finite.
    group : ndarray, shape (n,)
        Label of each value's group; groups may differ in size.

    Returns
    -------
    Anova

    Raises
    ------
    JudgeError
        If the two differ in length or there is no value.

    References
    ----------
    Searle, Casella and McCulloch, Variance Components, 1992, chapter 3; checked on NIST/ITL StRD.
    """
    values = np.asarray(values, dtype=float)
    if not len(values) or len(values) != len(group):
        raise JudgeError(f"{len(values)} values and {len(group)} labels; one label for each of at least one value")
    values = values - values[0]  # digits that all share would cost precision
    place, count = np.unique(group, return_inverse=True)[1], len(np.unique(group))
    size = np.bincount(place)
    mean = np.bincount(place, values) / size
    within = float(((values - mean[place]) ** 2).sum())
    between = float((size * (mean - values.mean()) ** 2).sum())
    return Anova(between, within, count - 1, len(values) - count)


def repeats(table: NoteTable, leave_out: np.ndarray | None = None) -> list[Repeats]:
    """Return the spread of the repetitions of each cohort and quantity.

    sigma^2 = mean square within cells (same cohort and pitch); its interval is sigma^2 df / chi^2_df.

    Parameters
    ----------
    table : NoteTable
    leave_out : ndarray of bool, shape (note,), optional
        Notes to leave out.

    Returns
    -------
    list of Repeats
        Only where at least one cell has two notes.
    """
    cohort, tone = table.cohort(*COHORT), np.round(table.pitch)
    found = []
    for label in np.unique(cohort):
        for quantity in QUANTITIES:
            values = measured(table, quantity)
            mine = (cohort == label) & np.isfinite(values) & np.isfinite(tone)
            mine &= ~leave_out if leave_out is not None else True
            if mine.any() and (layout := one_way(values[mine], tone[mine])).df_within:
                found.append(_spread(table, np.flatnonzero(mine), quantity, layout))
    return found


def _spread(table: NoteTable, rows: np.ndarray, quantity: str, layout: Anova) -> Repeats:
    df = layout.df_within
    ends = np.sqrt(layout.within / chi2.ppf([(1 + CONFIDENCE) / 2, (1 - CONFIDENCE) / 2], df))
    first = rows[0]
    return Repeats(
        str(table.instrument[first]),
        str(table.articulation[first]),
        str(table.dynamic[first]),
        str(table.mic[first]),
        quantity,
        float(np.sqrt(layout.within / df)),
        float(ends[0]),
        float(ends[1]),
        layout.df_between + 1,
        len(rows),
    )


def pairs(table: NoteTable, most: int = MOST_PAIRS) -> list[Pair]:
    """Return the pairs of notes of one cell, with how alike they are: all that are too alike, ``most`` of the others.

    Every pair is looked at, in parts, so that memory stays bounded; in a cell of more than 100 notes each is compared
    with the 50 on either side in brightness, which a copy keeps.

    alike = 70th percentile over the discriminating measurements of |difference| / usual |difference|, / 1.537;
    distance = that of the embeddings / usual distance. Usual = 75th percentile / 1.705 over the cohort's pairs, where
    it has 6, else over those of all dynamics: the median for performances, even where half of the pairs are copies.
    Too alike: alike < 0.13, and embeddings hardly further apart than usual. A copy at another gain, shifted by less
    than a frame or with a floor of its own, stays below that; two performances hardly ever do.

    Parameters
    ----------
    table : NoteTable
        ``values`` holds the measurements of DISCRIMINATING.
    most : int
        Of the usual pairs are returned, evenly over all.

    Returns
    -------
    list of Pair
        Those of cohorts where nothing usual is known only if they are the same to the last digit.
    """
    axis = np.column_stack([on_axis(name, table.values[name]) for name in DISCRIMINATING])
    cohort, wider = (np.unique(table.cohort(*columns), return_inverse=True)[1] for columns in (COHORT, WIDER))
    both = _cell_pairs(table, cohort)
    keep_every = 1 + len(both) // max(1, most)
    of, wide = cohort[both[:, 0]], wider[both[:, 0]]
    found = []
    for label in np.unique(of):
        mine = np.flatnonzero(of == label)
        near = mine if len(mine) >= LEAST_PAIRS else np.flatnonzero(wide == wide[mine[0]])
        usual = _usual(axis, table.embedding, both[near])
        for first in range(0, len(mine), AT_ONCE):
            some = both[mine[first : first + AT_ONCE]]
            found += _compared(axis, table.embedding, some, usual, keep_every)
    return found


@dataclass(frozen=True)
class _Usual:
    """What two performances of a cohort differ by: each measurement, and the embedding; and of how many pairs."""

    away: np.ndarray
    distance: float
    pairs: int


def _cell_pairs(table: NoteTable, cohort: np.ndarray) -> np.ndarray:
    """Return the pairs of rows of every cell that are to be compared, in order of rows [shape=(pair, 2)]."""
    tone, bright = np.round(table.pitch), table.values["centroid_hz"]
    cells: dict[tuple[int, float], list[int]] = {}
    for row in np.flatnonzero(np.isfinite(tone)):
        cells.setdefault((int(cohort[row]), float(tone[row])), []).append(int(row))
    found = [np.zeros((0, 2), dtype=np.int32)]
    for rows in map(np.array, cells.values()):
        if len(rows) <= MOST_IN_CELL:
            first, second = np.triu_indices(len(rows), 1)
        else:
            rows = rows[np.argsort(bright[rows], kind="stable")]
            first = np.repeat(np.arange(len(rows)), MOST_IN_CELL // 2)
            second = first + np.tile(np.arange(1, MOST_IN_CELL // 2 + 1), len(rows))
            first, second = first[second < len(rows)], second[second < len(rows)]
        found.append(np.sort(np.column_stack([rows[first], rows[second]]), axis=1).astype(np.int32))
    return np.concatenate(found)


def _apart(vectors: np.ndarray, both: np.ndarray) -> np.ndarray:
    return np.linalg.norm(vectors[both[:, 0]] - vectors[both[:, 1]], axis=1)


def _usual(axis: np.ndarray, vectors: np.ndarray, both: np.ndarray) -> _Usual:
    some = both[:: 1 + len(both) // AT_ONCE]
    away = np.abs(axis[some[:, 0]] - axis[some[:, 1]])
    return _Usual(np.array([_typical(column) for column in away.T]), _typical(_apart(vectors, some), 1.0), len(both))


def _compared(axis: np.ndarray, vectors: np.ndarray, both: np.ndarray, usual: _Usual, keep_every: int) -> list[Pair]:
    away = np.abs(axis[both[:, 0]] - axis[both[:, 1]])
    distance, far = _apart(vectors, both), usual.distance
    alike = _agreement(away / np.where(usual.away > 0, usual.away, np.nan))
    apart = distance / far if far > 0 else np.where(distance > 0, np.inf, 0.0)
    same = (np.nan_to_num(away).max(axis=1) == 0) & (np.isfinite(away).sum(axis=1) > len(DISCRIMINATING) // 2)
    enough = usual.pairs >= LEAST_PAIRS
    too = same | (enough & (alike < TOO_ALIKE) & ~(apart > APART))
    shown = too.copy()
    shown[::keep_every] |= enough
    return [
        Pair(int(a), int(b), 0.0 if s else float(k), float(d), bool(t))
        for (a, b), k, d, s, t in zip(*(c[shown] for c in (both, alike, apart, same, too)), strict=True)
    ]


def _typical(column: np.ndarray, to_median: float = UPPER_TO_MEDIAN) -> float:
    """Return what is usual; distances over many dimensions hardly differ, so there the upper quartile will do."""
    column = column[np.isfinite(column)]
    return float(np.percentile(column, UPPER)) / to_median if column.size else float("nan")


def _agreement(ratio: np.ndarray) -> np.ndarray:
    """Return the percentile of each row's known values, in medians; NaN where most are unknown [shape=(pair,)]."""
    known = np.isfinite(ratio).sum(axis=1)
    ranked = np.sort(np.where(np.isfinite(ratio), ratio, np.inf), axis=1)  # what is unknown comes last
    place = AGREE / 100.0 * np.maximum(known - 1, 0)
    low = np.floor(place).astype(int)
    high, rows = np.minimum(low + 1, np.maximum(known - 1, 0)), np.arange(len(ratio))
    below, above = ranked[rows, low], ranked[rows, high]
    with np.errstate(invalid="ignore"):  # rows of which nothing is known
        found = (below + (place - low) * (above - below)) / AGREE_TO_MEDIAN
    return np.where(known >= len(DISCRIMINATING) // 2, found, np.nan)
