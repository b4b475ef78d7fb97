"""Lasting noise: hum, rumble or hiss that one take has and the session's other takes on that microphone do not.

In: what each take holds on each microphone. Out: the noises that stand out. What most takes have is the room's or the
equipment's, and says nothing of a take; the noise sheet shows it.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

LEAST_TAKES = 4  # on the microphone, to know what is usual
FEW = 1 / 3  # of the other takes have it: more often it belongs to the session
LOUDER_DB = 6.0  # than usual: twice the amplitude
CLEAR_DB = 16.0  # over what is around, where the level of the other takes is unknown: one line of hum alone


@dataclass(frozen=True)
class LastingNoise:
    """One kind of noise in one take on one microphone; ``level_dbfs`` of a take without it as well, where known."""

    take: str
    level_dbfs: float | None
    over_db: float | None = None  # over what is around it; None: the take does not have the noise


@dataclass(frozen=True)
class Outstanding:
    """A noise that stands out: its level, the usual one (None: unknown), how many takes have it, of how many."""

    take: str
    level_dbfs: float
    over_db: float
    usual_dbfs: float | None
    having: int
    takes: int


def outstanding(noises: Sequence[LastingNoise]) -> list[Outstanding]:
    """Return the takes whose noise stands out, of one kind on one microphone in all takes of a session.

    It does if few of the other takes have it or if it is LOUDER_DB over their median; in either case it is not
    where their level is known and about the same, for then only the limit of detection lies between them.

    Parameters
    ----------
    noises : sequence of LastingNoise
        One for each take that was recorded by the microphone.
    """
    has = np.array([one.over_db is not None for one in noises], bool)
    level = np.array([np.nan if one.level_dbfs is None else one.level_dbfs for one in noises], float)
    if len(noises) < LEAST_TAKES:
        return []
    found = []
    for at in map(int, np.flatnonzero(has & np.isfinite(level))):
        others = np.delete(level, at)
        others = others[np.isfinite(others)]
        having, over_db = int(has.sum()), noises[at].over_db or 0.0
        few = having - 1 <= FEW * (len(noises) - 1)
        known = len(others) and (not few or 2 * len(others) >= len(noises) - 1)  # of hum only where it is found
        usual = float(np.median(others)) if known else None
        if level[at] >= usual + LOUDER_DB if usual is not None else few and over_db >= CLEAR_DB:
            found.append(Outstanding(noises[at].take, float(level[at]), over_db, usual, having, len(noises)))
    return found
