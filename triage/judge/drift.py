"""Drift over the day: does a value change with the time on the clock, beside what was played when?

In: one value of every note of one player's ``Day``. Out: one ``Drift``: a trend over the takes, because notes of one
take are not independent. What was played when must not pass for a drift: set-up, cohort and register are taken out of
the value and of the hour alike; where little of the hour's variance is left then, a drift cannot be determined.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from triage.domain.errors import JudgeError
from triage.judge.robust import group_median
from triage.judge.trend import Trend, mann_kendall

MOST_TAKES = 1000  # of a day; of more only every second, every third ... is tested
LEAST_TAKES = 6  # fewer cannot reach p < 0.01 however they lie
CURVE = 3  # degree of the register's polynomial
LEAST_OWN = 0.1  # of the hour's variance must be left beside cohort and register
SIGNIFICANCE = 0.05


@dataclass(frozen=True)
class Day:
    """What was played when, one row a note: the hour its take began (or the take's number), labels, MIDI pitch."""

    hours: np.ndarray
    take: np.ndarray
    cohort: np.ndarray
    setup: np.ndarray
    pitch: np.ndarray


@dataclass(frozen=True)
class Drift:
    """A trend over takes; ``trend`` is per hour (or per take where no clock is known) and None where unknown."""

    trend: Trend | None
    change: float  # over the whole time, unit of the values
    first_h: float
    last_h: float
    takes: np.ndarray  # (take,) labels in order of time
    hours: np.ndarray  # (take,)
    values: np.ndarray  # (take,) median of the take, what was played taken out
    adjusted: bool  # whether cohort and register could be taken out
    why_not: str = ""


def drift(values: np.ndarray, day: Day, absolute: bool = False) -> Drift:
    """Return the trend of a value over the day.

    Both value and hour are taken relative to their set-up's mean (a new seat is a step, no drift) and regressed on
    the cohort's mean and a cubic in pitch (Frisch and Waugh); the medians of both residuals over each take go into
    the Mann-Kendall test. Where less than a tenth of the hour's variance within the set-ups is left, the order of
    what was played hides any drift; then an ``absolute`` value, which should be the same whatever is played, is
    tested with only the set-ups taken out, and ``adjusted`` is false. change = slope times the whole time. Of more
    than 1000 takes only every second, third ... is tested.

    Parameters
    ----------
    values : ndarray, shape (n,)
        NaN left out.
    day : Day
        Arrays of shape (n,).
    absolute : bool
        Tuning and doubt are, brightness and attack are not.

    Returns
    -------
    Drift

    Raises
    ------
    JudgeError
        If the arrays differ in length.

    References
    ----------
    Frisch and Waugh, Econometrica 1, 1933; Mann, Econometrica 13, 1945; Sen, JASA 63, 1968.
    """
    values = np.asarray(values, dtype=float)
    if len({len(values), *map(len, vars(day).values())}) > 1:
        raise JudgeError("values and the columns of the day must be of one length")
    use = np.isfinite(values) & np.isfinite(day.hours) & np.isfinite(day.pitch)
    day, values = Day(*(column[use] for column in vars(day).values())), values[use]
    labels = np.array([label for _, label in sorted(set(zip(day.hours, day.take, strict=True)))])
    place = _places(labels, day.take)

    def of_takes(column: np.ndarray) -> np.ndarray:
        return group_median(column, place, len(labels))

    at, middle = of_takes(day.hours), float(np.median(values)) if len(values) else 0.0
    hours, seen = _less(day.hours, _means(day.setup)), _less(values, _means(day.setup))
    if why := _why_not(len(labels), hours, values):
        return _without_trend(labels, at, of_takes(values), why)
    base = np.column_stack([_means(day.setup), _means(day.cohort), _curve(day.pitch)])
    rest = _less(day.hours, base)
    adjusted = float(np.var(rest)) >= LEAST_OWN * float(np.var(hours))
    if adjusted:
        hours, seen = rest, _less(values, base)
    elif not absolute:
        return _without_trend(labels, at, of_takes(values), "what was played changed along with the clock")
    some = slice(None, None, 1 + (len(labels) - 1) // MOST_TAKES)  # of the slopes between all pairs, these will do
    trend = mann_kendall(of_takes(seen)[some], of_takes(hours)[some])
    change = trend.slope * float(at[-1] - at[0])
    return Drift(trend, change, float(at[0]), float(at[-1]), labels, at, of_takes(seen) + middle, adjusted)


def holm(p: Sequence[float]) -> list[bool]:
    """Return which of several tests are significant at 5 % together, by Holm's step-down rule; NaN never is.

    Parameters
    ----------
    p : sequence of float
        Of each test on its own.

    Returns
    -------
    list of bool

    References
    ----------
    Holm, Scandinavian Journal of Statistics 6, 1979.
    """
    known = [i for i, value in enumerate(p) if np.isfinite(value)]
    significant = [False] * len(p)
    for place, i in enumerate(sorted(known, key=lambda i: p[i])):
        if p[i] > SIGNIFICANCE / (len(known) - place):
            break
        significant[i] = True
    return significant


def _without_trend(labels: np.ndarray, hours: np.ndarray, values: np.ndarray, why: str) -> Drift:
    ends = (float(hours[0]), float(hours[-1])) if len(hours) else (float("nan"), float("nan"))
    return Drift(None, float("nan"), *ends, labels, hours, values, False, why)


def _why_not(takes: int, hours: np.ndarray, values: np.ndarray) -> str:
    if takes < LEAST_TAKES:
        return f"only {takes} take{'' if takes == 1 else 's'}"
    if np.ptp(values) == 0:
        return "all values are equal"
    return "all takes of a set-up at one time" if np.ptp(hours) < 1e-6 else ""


def _places(labels: np.ndarray, take: np.ndarray) -> np.ndarray:
    """Return the place of every note's take among the labels."""
    if not len(labels):
        return np.zeros(0, dtype=int)
    order = np.argsort(labels)
    return np.asarray(order[np.searchsorted(labels, take, sorter=order)])


def _means(labels: np.ndarray) -> np.ndarray:
    return (labels[:, None] == np.unique(labels)).astype(float)


def _curve(pitch: np.ndarray) -> np.ndarray:
    width = np.ptp(pitch)
    x = 2.0 * (pitch - pitch.min()) / width - 1.0 if width else np.zeros(len(pitch))
    return np.column_stack([x**k for k in range(1, CURVE + 1)])


def _less(column: np.ndarray, base: np.ndarray) -> np.ndarray:
    return column - base @ np.linalg.lstsq(base, column, rcond=None)[0]
