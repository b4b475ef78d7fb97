"""Corrections of hits, learnt: the corrected hit itself, and hits on the same microphone that sound like it.

Hits and corrections go in; hits with the right kind and boundaries come out, and those that are no noise are named.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from triage.domain.hit import Hit, HitCorrection

SAME_S = 0.05  # a hit that is found again begins at most so far from where it began
ALIKE_DB = 4.0  # root mean square over the parts of the spectrum: the same chair differs less from time to time
LENGTH_RATIO = 2.5
NEIGHBOURS = 5


@dataclass(frozen=True)
class LearnedHit:
    """What corrections make of a hit: its kind (None: no noise) and times."""

    kind: str | None
    start_s: float
    end_s: float
    own: bool = False  # somebody corrected this very hit


def learned_hits(hits: Sequence[Hit], session: str, corrections: Sequence[HitCorrection]) -> list[LearnedHit]:
    """Return what a session's hits are after all corrections.

    A hit that was corrected itself is what was said last. Another one takes the kind that most of its NEIGHBOURS
    nearest corrections give (of the same microphone and found kind, ALIKE_DB by sound or nearer, of similar length);
    two must agree, so that one slip of a key teaches nothing. Its boundaries stay.

    Parameters
    ----------
    hits : sequence of Hit
        Each with its take.
    session : str
    corrections : sequence of HitCorrection
        In the order given.

    Returns
    -------
    list of LearnedHit
        One for each hit.
    """
    own: dict[tuple[str, str], list[HitCorrection]] = {}
    alike: dict[tuple[str, str], list[HitCorrection]] = {}
    for one in corrections:
        if one.session == session:
            own.setdefault((one.take, one.mic), []).append(one)
        alike.setdefault((one.mic, one.kind), []).append(one)
    return [_learned(hit, own.get((hit.take, hit.mic), []), alike.get((hit.mic, hit.kind), [])) for hit in hits]


def sound_distance_db(one: Sequence[float], other: Sequence[float]) -> float:
    """Return how unlike two sounds are: the root mean square difference of their parts, in dB; inf where unknown."""
    if not one or len(one) != len(other):
        return float("inf")
    return float(np.sqrt(np.mean((np.asarray(one) - np.asarray(other)) ** 2)))


def _learned(hit: Hit, own: Sequence[HitCorrection], alike: Sequence[HitCorrection]) -> LearnedHit:
    for one in reversed(own):
        if one.kind == hit.kind and abs(one.start_s - hit.start_s) <= SAME_S:
            return LearnedHit(one.right_kind, one.right_start_s, one.right_end_s, own=True)
    length_s = max(hit.end_s - hit.start_s, 1e-3)
    near = sorted(
        (distance, at)
        for at, one in enumerate(alike)
        if (distance := sound_distance_db(hit.sound, one.sound)) <= ALIKE_DB
        and 1 / LENGTH_RATIO <= max(one.end_s - one.start_s, 1e-3) / length_s <= LENGTH_RATIO
    )[:NEIGHBOURS]
    kinds = [alike[at].right_kind for _, at in near]
    best = max(set(kinds), key=lambda kind: (kinds.count(kind), str(kind)), default=hit.kind)
    if kinds.count(best) < 2 or 2 * kinds.count(best) <= len(kinds):
        best = hit.kind
    return LearnedHit(best, hit.start_s, hit.end_s)
