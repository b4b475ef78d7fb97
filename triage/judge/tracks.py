"""Track faults: a microphone that is dead, upside down or late in one take, judged by the session's other takes.

Seats and microphones stay put while a player records: in most takes a track follows the judging one with the same
lag and sign and about as loud. Facts of every track go in; findings in words come out.
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

CLEAR = 1.5  # a match that may count for what is usual
SURE = 1.9  # a match that may speak against it: far microphones in long halls reach 1.6 by chance
LEAST_TAKES = 4  # of the same player and microphone, to know what is usual
LATE_S = 0.0006  # 20 cm of air: players move less while they sit
DEAD_DB = 20.0  # under the usual level of the notes on that microphone
DEAD_OVER_FLOOR_DB = 6.0


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
    return [fault for fact in facts for fault in found[id(fact)]]


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
