"""Track faults: a microphone that is dead, inverted, late or swapped in one take, judged by the other takes.

Seats and microphones stay put while a player records: in most takes a track follows the reference one with the same
lag and sign and about as loud. Measurements of every track go in; faults with a reason come out.
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import NamedTuple

import numpy as np

CLEAR = 1.5  # a match that may count for what is usual
SURE = 1.9  # a match that may count as a fault: far microphones in long halls reach 1.6 by chance
LEAST_TAKES = 4  # of the same player and microphone, to know what is usual
LATE_S = 0.0006  # 20 cm of air: players move less while they sit
DEAD_DB = 20.0  # under the usual level of the notes on that microphone
DEAD_OVER_FLOOR_DB = 6.0
APART_S, APART_DB = 4 * LATE_S, 8.0  # two tracks that differ so much can usually be distinguished
NEAR_DB = 3.0
MOST_AGAINST_ONE = 2  # tracks that are inverted against one, from which on it is that one


@dataclass(frozen=True)
class TrackFacts:
    """One track of one take, as measured; None where it is unknown."""

    take: str
    player: str  # instrument: where it sits
    mic: str
    floor_dbfs: float | None
    note_dbfs: float | None
    lag_s: float | None
    polarity: int | None
    clear: float | None


@dataclass(frozen=True)
class TrackFault:
    """What is wrong with a track, with the value found and the usual one."""

    take: str
    mic: str
    kind: str  # dead-track, polarity, delay
    why: str
    found: float
    expected: float
    unit: str


class _Usual(NamedTuple):
    """What a track is like in the other takes of the same player and microphone; NaN where none is known."""

    lag_s: float
    n_lags: int
    level_dbfs: float
    n_levels: int
    steady: float  # share of the lags within LATE_S of the usual one
    sign: int  # of most of those


def track_faults(facts: Sequence[TrackFacts]) -> list[TrackFault]:
    """Return the faults of all tracks of a session, in the order of ``facts``.

    Usual = median (lag, level) or majority (sign) over the other takes of the same player and microphone.
    """
    groups: dict[tuple[str, str], list[TrackFacts]] = defaultdict(list)
    for fact in facts:
        groups[fact.player, fact.mic].append(fact)
    usual = {id(fact): one for group in groups.values() for fact, one in zip(group, _usual(group), strict=True)}
    found = {id(fact): _faults(fact, usual[id(fact)]) for fact in facts}
    found |= {key: [fault] for key, fault in _swapped(facts, usual).items()}
    _blame_the_measured(facts, found)
    return [fault for fact in facts for fault in found[id(fact)]]


def _blame_the_measured(facts: Sequence[TrackFacts], found: dict[int, list[TrackFault]]) -> None:
    """Where every other track (two or more) of a take is inverted against the measured one, it is that one.

    The measured track is the one without a lag: all lags and signs are against it.
    """
    takes: dict[tuple[str, str], list[TrackFacts]] = defaultdict(list)
    for fact in facts:
        takes[fact.take, fact.player].append(fact)
    for tracks in takes.values():
        measured = [fact for fact in tracks if fact.lag_s is None]
        others = [fact for fact in tracks if fact.lag_s is not None]
        turned = [[one for one in found[id(fact)] if one.kind == "polarity"] for fact in others]
        if len(measured) == 1 and len(others) >= MOST_AGAINST_ONE and all(turned):
            for fact in others:
                found[id(fact)] = [one for one in found[id(fact)] if one.kind != "polarity"]
            first = turned[0][0]
            found[id(measured[0])] = [*found[id(measured[0])], replace(first, mic=measured[0].mic)]


def _usual(group: Sequence[TrackFacts]) -> list[_Usual]:
    """Return for each track what is usual in the other takes."""
    lag_s = np.array([f.lag_s if f.lag_s is not None and f.clear and f.clear >= CLEAR else np.nan for f in group])
    level = np.array([np.nan if f.note_dbfs is None else f.note_dbfs for f in group], float)
    sign = np.array([f.polarity or 0 for f in group])
    usual_lag_s, n_lags = _medians_of_others(lag_s)
    usual_level, n_levels = _medians_of_others(level)
    steady, most = np.zeros(len(group)), np.ones(len(group), int)
    for at in range(len(group)):
        agree = np.abs(lag_s - usual_lag_s[at]) <= LATE_S
        agree[at] = False
        steady[at], most[at] = agree.sum() / max(1, n_lags[at]), 1 if sign[agree].sum() >= 0 else -1
    columns = (usual_lag_s, n_lags, usual_level, n_levels, steady, most)
    return [_Usual(*row) for row in zip(*(column.tolist() for column in columns), strict=True)]


def _medians_of_others(values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return for each value [shape=(n,)] the median of all others and how many they are; NaN stands for unknown."""
    known = np.isfinite(values)
    ranked = np.sort(values[known])
    count = len(ranked) - known
    if len(ranked) < 2:
        return np.where(count > 0, ranked[0] if len(ranked) else np.nan, np.nan), count
    own = np.where(known, np.searchsorted(ranked, values), len(ranked))  # the place that is left out
    low, high = (count - 1) // 2, count // 2
    return (ranked[low + (low >= own)] + ranked[high + (high >= own)]) / 2, count


def _swapped(facts: Sequence[TrackFacts], usual: Mapping[int, _Usual]) -> dict[int, TrackFault]:
    """Return, by identity of the facts, the tracks of one take that look like each other's usual ones.

    A swapped pair has each other's lag, and the other sign of level between them; with the reference microphone,
    whose own lag is 0 and stands as None, all lags change sign. Kind ``delay``: their arrival is what is wrong.
    """
    takes: dict[tuple[str, str], list[TrackFacts]] = defaultdict(list)
    for fact in facts:
        takes[fact.take, fact.player].append(fact)
    found: dict[int, TrackFault] = {}
    for tracks in takes.values():
        for a, b in combinations(tracks, 2):
            if not {id(a), id(b)} & found.keys() and _exchanged(a, b, usual[id(a)], usual[id(b)]):
                for one, other in ((a, b), (b, a)):
                    why = f"looks swapped with the {other.mic} microphone"
                    usual_s = _lag_s(usual[id(one)])
                    found[id(one)] = TrackFault(one.take, one.mic, "delay", why, one.lag_s or 0.0, usual_s, "s")
    return found


def _lag_s(usual: _Usual) -> float:
    return usual.lag_s if usual.n_lags else 0.0  # the reference microphone's own


def _exchanged(a: TrackFacts, b: TrackFacts, usual_a: _Usual, usual_b: _Usual) -> bool:
    if min(usual_a.n_levels, usual_b.n_levels) < LEAST_TAKES - 1 or a.note_dbfs is None or b.note_dbfs is None:
        return False
    apart_db, found_db = usual_a.level_dbfs - usual_b.level_dbfs, a.note_dbfs - b.note_dbfs
    levels_turned = abs(found_db + apart_db) < abs(found_db - apart_db) - NEAR_DB
    with_reference = a.lag_s is None or b.lag_s is None
    known = [fact for fact in (a, b) if fact.lag_s is not None]
    if not known or any(not fact.clear or fact.clear < CLEAR for fact in known):
        return abs(apart_db) >= APART_DB and abs(found_db + apart_db) <= NEAR_DB
    # Swapped with the reference microphone a track comes as much earlier as it usually comes later.
    lag_a_s, lag_b_s = _lag_s(usual_a), _lag_s(usual_b)
    usual = {id(a): lag_a_s, id(b): lag_b_s}
    swapped_s = {id(a): -lag_a_s, id(b): -lag_b_s} if with_reference else {id(a): lag_b_s, id(b): lag_a_s}
    if any(abs(swapped_s[id(fact)] - usual[id(fact)]) < APART_S for fact in known):
        return abs(apart_db) >= APART_DB and abs(found_db + apart_db) <= NEAR_DB
    fits = all(abs((fact.lag_s or 0.0) - swapped_s[id(fact)]) <= LATE_S for fact in known)
    return fits and (levels_turned or abs(apart_db) < NEAR_DB)


def _faults(fact: TrackFacts, usual: _Usual) -> list[TrackFault]:
    if _dead(fact, usual):
        return [
            TrackFault(
                fact.take,
                fact.mic,
                "dead-track",
                "no notes on this track",
                fact.note_dbfs or 0.0,
                usual.level_dbfs,
                "dBFS",
            )
        ]
    if usual.n_lags < LEAST_TAKES - 1 or not (fact.clear and fact.clear >= SURE) or fact.lag_s is None:
        return []
    if usual.steady < 0.6:
        return []  # the player moves about: no lag is usual
    away_s = fact.lag_s - usual.lag_s
    if abs(away_s) > LATE_S:
        why = f"{abs(away_s) * 1000:.1f} ms {'later' if away_s > 0 else 'earlier'} than in the other takes"
        return [TrackFault(fact.take, fact.mic, "delay", why, fact.lag_s, usual.lag_s, "s")]
    if fact.polarity == -usual.sign:
        why = "polarity reversed against the other takes"
        return [TrackFault(fact.take, fact.mic, "polarity", why, float(-usual.sign), float(usual.sign), "sign")]
    return []


def _dead(fact: TrackFacts, usual: _Usual) -> bool:
    if fact.note_dbfs is None or fact.floor_dbfs is None or usual.n_levels < LEAST_TAKES - 1:
        return False
    return fact.note_dbfs <= min(usual.level_dbfs - DEAD_DB, fact.floor_dbfs + DEAD_OVER_FLOOR_DB)
