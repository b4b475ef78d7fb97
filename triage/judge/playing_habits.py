"""Playing habits: how loud a player's natural sounds usually are, and which of them stand out among their like.

Sounds of one kind by one player (breaths before the tone, keys) go in, each with its level against its note; out
comes what is usual for it. A player who always clicks is heard as such; a click much louder than the others is heard.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from triage.judge.robust import mad

LEAST_ALIKE = 6  # sounds of a kind, to know what is usual
LEAST_SPREAD_DB = 2.5
STANDS_OUT, LEAST_OVER_DB = 3.0, 6.0  # standard deviations, and dB, over the usual level


@dataclass(frozen=True)
class PlayedSound:
    """One natural sound of playing: whose, in which cell and of which kind, and its level against its note in dB."""

    player: str
    cell: str
    kind: str
    level_db: float


@dataclass(frozen=True)
class UsualSound:
    """What is usual for one sound: the level of its like against their notes, and whether it stands out."""

    level_db: float | None
    stands_out: bool


def usual_sounds(sounds: Sequence[PlayedSound]) -> list[UsualSound]:
    """Return what is usual for each sound.

    Its like are those of its player, cell and kind; where they are fewer than LEAST_ALIKE, those of its player and
    kind; else those of its player. It stands out from three robust standard deviations and 6 dB over their median on;
    where even those are too few, nothing is known to be usual, and it does not.
    """
    levels = np.array([one.level_db for one in sounds], dtype=float)
    groups: dict[tuple[str, ...], list[int]] = {}
    for at, one in enumerate(sounds):
        for key in ((one.player, one.kind, one.cell), (one.player, one.kind), (one.player,)):
            groups.setdefault(key, []).append(at)
    found = []
    for at, one in enumerate(sounds):
        for key in ((one.player, one.kind, one.cell), (one.player, one.kind), (one.player,)):
            like = [k for k in groups[key] if k != at and np.isfinite(levels[k])]
            if len(like) >= LEAST_ALIKE:
                break
        found.append(_usual(levels[at], levels[like]))
    return found


def _usual(level_db: float, like_db: np.ndarray) -> UsualSound:
    if len(like_db) < LEAST_ALIKE:
        return UsualSound(None, False)
    usual = float(np.median(like_db))
    spread = mad(like_db, LEAST_SPREAD_DB)
    return UsualSound(usual, bool(level_db > usual + max(STANDS_OUT * spread, LEAST_OVER_DB)))
