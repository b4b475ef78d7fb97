"""Cut tails: a file that ends while its last note still rings, judged by how the session's other takes end.

In: how each track ends. Out: the takes that were stopped too early, each with the microphone that shows it best.
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from triage.judge.robust import mad

LEAST_TAKES = 4  # of the same player and microphone, to know how they usually end
LEAST_DB = 8.0  # over the background: noise alone reaches 5 in the bands that happen to stand out
APART_DB, APART_SCALES = 6.0, 3.0  # over the usual end
LEAST_LEFT_S = 0.06  # of ringing: at the fall of the last 0.25 s it would have reached the background so much later
RISE_DB_S = 20.0  # a noise or another note, no tail
SOONER = 0.8  # of the usual time after the last note: who waited as long as usual cut nothing off


@dataclass(frozen=True)
class TrackEnd:
    """How one track ends; see ``triage.listen.endings``."""

    take: str
    player: str
    mic: str
    over_db: float
    fall_db_s: float
    after_s: float  # from the end of the last note's sounding part to the end of the file


@dataclass(frozen=True)
class CutTail:
    """A tail that was cut off: so many dB over the background, and the usual number."""

    take: str
    mic: str
    over_db: float
    usual_db: float


def cut_tails(ends: Sequence[TrackEnd]) -> list[CutTail]:
    """Return the takes whose last note was still ringing when the file ended, in the order of ``ends``.

    Usual = median over the other takes of the same player and microphone; of several microphones the one that lies
    highest over its usual end stands for the take. A take that ends as long after its last note as usual is not cut:
    a low or loud note rings longer than the others of its player.
    """
    groups: dict[tuple[str, str], list[TrackEnd]] = defaultdict(list)
    for end in ends:
        groups[end.player, end.mic].append(end)
    found: dict[str, CutTail] = {}
    for group in groups.values():
        over_db = np.array([end.over_db for end in group])
        for at, end in enumerate(group):
            others = np.delete(over_db, at)
            if len(group) < LEAST_TAKES or not _rings(end):
                continue
            usual = float(np.median(others))
            cut = CutTail(end.take, end.mic, end.over_db, usual)
            sooner = end.after_s < SOONER * np.median([one.after_s for one in group if one is not end])
            clear = sooner and end.over_db - usual >= max(APART_DB, APART_SCALES * mad(others))
            before = found.get(end.take)
            if clear and (before is None or cut.over_db - usual > before.over_db - before.usual_db):
                found[end.take] = cut
    return [found[take] for take in dict.fromkeys(end.take for end in ends) if take in found]


def _rings(end: TrackEnd) -> bool:
    """Return whether a track ends over its background and would have gone on ringing."""
    falling = end.over_db >= LEAST_LEFT_S * end.fall_db_s and end.fall_db_s > -RISE_DB_S
    return end.over_db >= LEAST_DB and falling
