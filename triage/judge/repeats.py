"""Repetitions of a cell: how far they spread, and which two are too much alike to be two performances.

A table of notes goes in. Out: the spread of each quantity inside the cells of a cohort, with an interval; and pairs
of notes of one cell that agree as no two performances do, such as a take copied under another name or pasted in.
"""

from collections.abc import Iterator
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
    "attack_jump_cents",
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


def pairs(table: NoteTable) -> list[Pair]:
    """Return all pairs of notes of one cell, with how alike they are.

    alike = 70th percentile over the discriminating measurements of |difference| / usual |difference|, / 1.537;
    distance = that of the embeddings / usual distance. Usual = 75th percentile / 1.705 over the cohort's pairs, where
    it has 6, else over those of all dynamics: the median for performances, even where half of the pairs are copies.
    Too alike: alike < 0.13, and embeddings hardly further apart than usual. A copy at another gain, shifted by less
    than a frame or with a floor of its own, stays below that; two performances hardly ever do.

    Parameters
    ----------
    table : NoteTable
        ``values`` holds the measurements of DISCRIMINATING.

    Returns
    -------
    list of Pair
        Those of cohorts where nothing usual is known only if they are the same to the last digit.
    """
    axis = np.column_stack([on_axis(name, table.values[name]) for name in DISCRIMINATING])
    wider = table.cohort(*WIDER)
    both = np.array(list(_cell_pairs(table)), dtype=int).reshape(-1, 2)
    if not len(both):
        return []
    away = np.abs(axis[both[:, 0]] - axis[both[:, 1]])
    distance = np.linalg.norm(table.embedding[both[:, 0]] - table.embedding[both[:, 1]], axis=1)
    cohort = table.cohort(*COHORT)
    found = []
    for label in np.unique(cohort[both[:, 0]]):
        mine = cohort[both[:, 0]] == label
        usual = mine if mine.sum() >= LEAST_PAIRS else wider[both[:, 0]] == wider[both[mine][0, 0]]
        found += _compared(both[mine], (away[mine], distance[mine]), (away[usual], distance[usual]))
    return found


def _cell_pairs(table: NoteTable) -> Iterator[tuple[int, int]]:
    cohort, tone = table.cohort(*COHORT), np.round(table.pitch)
    known = np.flatnonzero(np.isfinite(tone))
    cells: dict[tuple[str, float], list[int]] = {}
    for row in known:
        cells.setdefault((str(cohort[row]), float(tone[row])), []).append(int(row))
    for rows in cells.values():
        yield from ((a, b) for i, a in enumerate(rows) for b in rows[i + 1 :])


def _compared(
    both: np.ndarray, mine: tuple[np.ndarray, np.ndarray], usual: tuple[np.ndarray, np.ndarray]
) -> list[Pair]:
    away, distance = mine
    enough = len(usual[0]) >= LEAST_PAIRS
    typical = np.array([_usual(column) for column in usual[0].T])
    ratio = away / np.where(typical > 0, typical, np.nan)
    alike = np.array([_percentile(row) for row in ratio])
    far = _usual(usual[1], 1.0)
    apart = distance / far if far > 0 else np.where(distance > 0, np.inf, 0.0)
    same = (np.nan_to_num(away).max(axis=1) == 0) & (np.isfinite(away).sum(axis=1) > len(DISCRIMINATING) // 2)
    too = same | (enough & (alike < TOO_ALIKE) & ~(apart > APART))
    return [
        Pair(int(a), int(b), 0.0 if s else float(k), float(d), bool(t))
        for (a, b), k, d, s, t in zip(both, alike, apart, same, too, strict=True)
        if enough or s
    ]


def _usual(column: np.ndarray, to_median: float = UPPER_TO_MEDIAN) -> float:
    """Return what is usual; distances over many dimensions hardly differ, so there the upper quartile will do."""
    column = column[np.isfinite(column)]
    return float(np.percentile(column, UPPER)) / to_median if column.size else float("nan")


def _percentile(row: np.ndarray) -> float:
    row = row[np.isfinite(row)]
    return (
        float(np.percentile(row, AGREE)) / AGREE_TO_MEDIAN if row.size >= len(DISCRIMINATING) // 2 else float("nan")
    )
