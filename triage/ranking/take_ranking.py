"""Takes in order: how doubtful each is, how long its spots take to hear, which are most informative for the model."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence

import numpy as np

from triage.domain.judgement import TakeJudgement
from triage.domain.spot import Spot
from triage.judge.active_learning import teaching_order
from triage.judge.doubt import doubt_of_take
from triage.judge.taste import information
from triage.ranking.session_features import SessionFeatures

AROUND_S = 0.5  # heard before and after a spot


def ranked_takes(
    features: SessionFeatures,
    each: np.ndarray,
    spots: Sequence[Spot],
    certain: Sequence[Spot],
    reviewed: Collection[str],
    kinds: Sequence[str],
    locked: Collection[str] = (),
) -> tuple[TakeJudgement, ...]:
    """Return the takes ranked from 1, the most doubtful first, equal ones by name.

    Parameters
    ----------
    features : SessionFeatures
    each : ndarray, shape (note, kind)
        The probability of a reject for each kind.
    spots : sequence of Spot
        Those whose doubt is part of their note's.
    certain : sequence of Spot
        Findings beside the notes, each with a doubt of its own.
    reviewed : collection of str
        Names of the takes that somebody has heard.
    kinds : sequence of str
    locked : collection of str
        Kinds whose tolerance was set by hand: of them a verdict teaches nothing.
    """
    doubts = np.clip(each.sum(axis=1), 0.0, 1.0)
    of_take: dict[str, list[float]] = {name: [] for name in features.lengths_s}
    beside: dict[str, list[float]] = defaultdict(list)
    segments: dict[str, list[Spot]] = defaultdict(list)
    for name, doubt in zip(features.table.take.tolist(), doubts.tolist(), strict=True):
        of_take[name].append(doubt)
    for spot in certain:
        beside[spot.take].append(spot.doubt)
    for spot in (*spots, *certain):
        segments[spot.take].append(spot)
    doubt_of = {name: doubt_of_take(own, beside[name]) for name, own in of_take.items()}
    order = sorted(doubt_of, key=lambda name: (-round(doubt_of[name], 9), name))
    free = [at for at, kind in enumerate(kinds) if kind not in locked] if len(each) else []
    learning = _learning_ranks(features, each[:, free], [kinds[at] for at in free], reviewed)
    return tuple(
        TakeJudgement(
            name, doubt_of[name], listening_s(segments[name], features.lengths_s[name]), rank, learning.get(name)
        )
        for rank, name in enumerate(order, start=1)
    )


def listening_s(spots: Iterable[Spot], length_s: float | None) -> float:
    """Return how long it takes to hear a take's spots once, each with AROUND_S before and after it."""
    total, until = 0.0, 0.0
    for spot in sorted(spots, key=lambda s: s.start_s):
        first, last = max(until, spot.start_s - AROUND_S, 0.0), min(spot.end_s + AROUND_S, length_s or np.inf)
        total, until = total + max(0.0, last - first), max(until, last)
    return total


def _learning_ranks(
    features: SessionFeatures, each: np.ndarray, kinds: Sequence[str], reviewed: Collection[str]
) -> dict[str, int]:
    """Return take -> its active-learning rank, by what a verdict on it teaches about the tolerances."""
    names, found = information(each, kinds, features.table.take, features.table.articulation)
    chosen = teaching_order(found, np.array([name in reviewed for name in names], bool))
    return {names[int(place)]: rank for rank, place in enumerate(chosen, start=1)}
