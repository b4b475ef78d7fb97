"""Track faults: a microphone that is dead, upside down, late or swapped in one take, judged by the other takes.

Seats and microphones stay put while a player records: in most takes a track follows the judging one with the same
lag and sign and about as loud. Facts of every track go in; findings in words come out.
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

CLEAR = 1.5  # a match that may count for what is usual
SURE = 1.9  # a match that may speak against it: far microphones in long halls reach 1.6 by chance
LEAST_TAKES = 4  # of the same player and microphone, to know what is usual
LATE_S = 0.0006  # 20 cm of air: players move less while they sit
DEAD_DB = 20.0  # under the usual level of the notes on that microphone
DEAD_OVER_FLOOR_DB = 6.0
APART_S, APART_DB = 4 * LATE_S, 8.0  # two tracks that differ so much usually can be told apart
NEAR_DB = 3.0


@dataclass(frozen=True)
class TrackFacts:
    """One track of one take, as heard; None where it could not be told."""

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


def track_faults(facts: Sequence[TrackFacts]) -> list[TrackFault]:
    """Return the faults of all tracks of a session, in the order of ``facts``.

    Usual = median (lag, level) or majority (sign) over the takes of the same player and microphone.
    """
    groups: dict[tuple[str, str], list[TrackFacts]] = defaultdict(list)
    for fact in facts:
        groups[fact.player, fact.mic].append(fact)
    found = {id(fact): _faults(fact, group) for group in groups.values() for fact in group}
    found |= {key: [fault] for key, fault in _swapped(facts, groups).items()}
    return [fault for fact in facts for fault in found[id(fact)]]


def _swapped(
    facts: Sequence[TrackFacts], groups: dict[tuple[str, str], list[TrackFacts]]
) -> dict[int, TrackFault]:
    """Return, by identity of the facts, the tracks of one take that look like each other's usual ones.

    A swapped pair has each other's lag, and the other sign of level between them; with the judging microphone, whose
    own lag is 0 and stands as None, all lags turn about. Kind ``delay``: their arrival is what is wrong.
    """
    takes: dict[tuple[str, str], list[TrackFacts]] = defaultdict(list)
    for fact in facts:
        takes[fact.take, fact.player].append(fact)
    found: dict[int, TrackFault] = {}
    for tracks in takes.values():
        for a, b in combinations(tracks, 2):
            if not {id(a), id(b)} & found.keys() and _exchanged(a, b, groups):
                for one, other in ((a, b), (b, a)):
                    why = f"looks swapped with the {other.mic} microphone"
                    usual = _usual(groups, one)
                    found[id(one)] = TrackFault(one.take, one.mic, "delay", why, one.lag_s or 0.0, usual[0], "s")
    return found


def _exchanged(a: TrackFacts, b: TrackFacts, groups: dict[tuple[str, str], list[TrackFacts]]) -> bool:
    (lag_a, level_a, n_a), (lag_b, level_b, n_b) = _usual(groups, a), _usual(groups, b)
    if min(n_a, n_b) < LEAST_TAKES - 1 or a.note_dbfs is None or b.note_dbfs is None:
        return False
    apart_db, found_db = level_a - level_b, a.note_dbfs - b.note_dbfs
    levels_turned = abs(found_db + apart_db) < abs(found_db - apart_db) - NEAR_DB
    judging = a.lag_s is None or b.lag_s is None
    known = [fact for fact in (a, b) if fact.lag_s is not None]
    if not known or any(not fact.clear or fact.clear < CLEAR for fact in known):
        return abs(apart_db) >= APART_DB and abs(found_db + apart_db) <= NEAR_DB
    # Swapped with the judging microphone a track comes as much earlier as it usually comes later.
    meant = {id(a): -lag_a, id(b): -lag_b} if judging else {id(a): lag_b, id(b): lag_a}
    usual = {id(a): lag_a, id(b): lag_b}
    if any(abs(meant[id(fact)] - usual[id(fact)]) < APART_S for fact in known):
        return abs(apart_db) >= APART_DB and abs(found_db + apart_db) <= NEAR_DB
    fits = all(abs((fact.lag_s or 0.0) - meant[id(fact)]) <= LATE_S for fact in known)
    return fits and (levels_turned or abs(apart_db) < NEAR_DB)


def _usual(groups: dict[tuple[str, str], list[TrackFacts]], fact: TrackFacts) -> tuple[float, float, int]:
    """Return the usual lag (0 for the judging one) and level of a track in the other takes, and how many know it."""
    others = [other for other in groups[fact.player, fact.mic] if other is not fact]
    lags = [o.lag_s for o in others if o.lag_s is not None and o.clear and o.clear >= CLEAR]
    levels = [o.note_dbfs for o in others if o.note_dbfs is not None]
    return float(np.median(lags)) if lags else 0.0, float(np.median(levels)) if levels else 0.0, len(levels)


def _faults(fact: TrackFacts, group: list[TrackFacts]) -> list[TrackFault]:
    others = [other for other in group if other is not fact]
    dead = _dead(fact, others)
    if dead:
        return [dead]
    known = [o for o in others if o.clear and o.clear >= CLEAR and o.lag_s is not None]
    if len(known) < LEAST_TAKES - 1 or not (fact.clear and fact.clear >= SURE) or fact.lag_s is None:
        return []
    usual_s = float(np.median([o.lag_s for o in known]))
    agree = [o for o in known if abs((o.lag_s or 0.0) - usual_s) <= LATE_S]
    if len(agree) < 0.6 * len(known):
        return []  # the player walks about: nothing is usual
    sign = 1 if sum(o.polarity or 0 for o in agree) >= 0 else -1
    away_s = fact.lag_s - usual_s
    if abs(away_s) > LATE_S:
        why = f"{abs(away_s) * 1000:.1f} ms {'later' if away_s > 0 else 'earlier'} than in the other takes"
        return [TrackFault(fact.take, fact.mic, "delay", why, fact.lag_s, usual_s, "s")]
    if fact.polarity == -sign:
        why = "upside down against the other takes"
        return [TrackFault(fact.take, fact.mic, "polarity", why, float(-sign), float(sign), "sign")]
    return []


def _dead(fact: TrackFacts, others: list[TrackFacts]) -> TrackFault | None:
    usual = [o.note_dbfs for o in others if o.note_dbfs is not None]
    if fact.note_dbfs is None or fact.floor_dbfs is None or len(usual) < LEAST_TAKES - 1:
        return None
    level = float(np.median(usual))
    if fact.note_dbfs > level - DEAD_DB or fact.note_dbfs > fact.floor_dbfs + DEAD_OVER_FLOOR_DB:
        return None
    return TrackFault(fact.take, fact.mic, "dead-track", "no note is on this track", fact.note_dbfs, level, "dBFS")
