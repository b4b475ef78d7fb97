"""Suppression: hits put into groups, and what is no fault left out of the doubt: what somebody heard and called
harmless, and the natural sounds of playing that are like a player's others.

Takes as the store gives them go in; they come out with each hit's group, and without the harmless hits for the judge.
A hit is harmless where the last mark on its group says so and it is not clearly louder than what was heard then: who
has heard a creak has not heard one of twice that strength.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from triage.domain.hit import HarmlessMark, Hit, HitCorrection
from triage.domain.take import Take
from triage.judge.hit_groups import group_keys
from triage.judge.hit_rhythms import TakeNotes
from triage.judge.learned_hits import LearnedHit, learned_hits
from triage.judge.playing_habits import PlayedSound, UsualSound, usual_sounds

SAME_S = 0.1  # what begins so soon after a note's start still belongs to that note
LOUDER_DB = 6.0  # than the loudest that was heard: back on the list


def group_hits(
    takes: Sequence[Take],
    given: Mapping[str, HarmlessMark],
    session: str = "",
    corrections: Sequence[HitCorrection] = (),
) -> list[Take]:
    """Return the takes with the group of each hit, and whether it is harmless by the last mark on that group.

    Before that each hit is what people's corrections of it, and of hits that sound like it, make of it.
    """
    takes = with_corrections(with_usual_sounds(takes), session, corrections)
    notes = {take.name: notes_of(take) for take in takes}
    rows = [replace(hit, take=take.name, kind=hit.own_kind) for take in takes for hit in take.hits if not hit.usual]
    harmless = {group for group, mark in given.items() if mark.harmless}
    keys = iter(group_keys(rows, notes, harmless))
    return [
        replace(take, hits=tuple(hit if hit.usual else _marked(hit, next(keys), given) for hit in take.hits))
        for take in takes
    ]


def with_usual_sounds(takes: Sequence[Take]) -> list[Take]:
    """Return the takes with each natural sound of playing marked as usual.

    One that stands out among its like is not, nor any where the take is to be without them.
    """
    own = [[hit for hit in take.hits if hit.natural] for take in takes]
    sounds = [_played(hit, take) for take, hits in zip(takes, own, strict=True) for hit in hits]
    known = iter(usual_sounds(sounds))
    return [
        replace(take, hits=tuple(_settled(hit, next(known), take) if hit.natural else hit for hit in take.hits))
        for take in takes
    ]


def with_corrections(takes: Sequence[Take], session: str, corrections: Sequence[HitCorrection]) -> list[Take]:
    """Return the takes with each hit's kind and boundaries as corrected; what is no noise is marked as usual."""
    rows = [replace(_as_found(hit), take=take.name) for take in takes for hit in take.hits]
    learned = iter(learned_hits(rows, session, corrections))
    return [replace(take, hits=tuple(_corrected(hit, next(learned)) for hit in take.hits)) for take in takes]


def _as_found(hit: Hit) -> Hit:
    if hit.found_kind is None or hit.found_start_s is None or hit.found_end_s is None:
        return hit
    return replace(hit, kind=hit.found_kind, start_s=hit.found_start_s, end_s=hit.found_end_s)


def _corrected(hit: Hit, learned: LearnedHit) -> Hit:
    found = _as_found(hit)
    same = (learned.kind, learned.start_s, learned.end_s) == (found.kind, found.start_s, found.end_s)
    if same and not learned.own:
        plain = replace(found, found_kind=None, found_start_s=None, found_end_s=None)
        return plain if hit.natural else replace(plain, usual=False)
    changed = replace(found, found_kind=found.kind, found_start_s=found.start_s, found_end_s=found.end_s)
    if learned.kind is None:
        return replace(changed, usual=True)
    usual = False if learned.own or not hit.natural else hit.usual
    return replace(changed, kind=learned.kind, start_s=learned.start_s, end_s=learned.end_s, usual=usual)


def _settled(hit: Hit, usual: UsualSound, take: Take) -> Hit:
    listed = usual.stands_out or take.without_natural_sounds
    return replace(hit, usual=not listed, usual_db=usual.level_db)


def _played(hit: Hit, take: Take) -> PlayedSound:
    """Return a natural sound with its level against the note that it leads into, or else the one before it."""
    following = [note for note in take.notes if note.start_s >= hit.start_s - SAME_S]
    note = following[0] if following else take.notes[-1] if take.notes else None
    level_dbfs = note.measurements.get("level_dbfs") if note else None
    own_db = float("nan") if level_dbfs is None or hit.level_dbfs is None else hit.level_dbfs - level_dbfs
    cell = f"{take.articulation} {take.dynamic}"
    return PlayedSound(take.instrument or "", cell, hit.natural or "", own_db)


def without_harmless(takes: Sequence[Take]) -> list[Take]:
    """Return the takes without their harmless hits and usual sounds of playing."""
    listed = [tuple(hit for hit in take.hits if not (hit.harmless or hit.usual)) for take in takes]
    return [replace(take, hits=hits) for take, hits in zip(takes, listed, strict=True)]


def notes_of(take: Take) -> TakeNotes:
    """Return when a take's notes sound."""
    starts, ends = ([getattr(note, name) for note in take.notes] for name in ("start_s", "end_s"))
    return TakeNotes(np.array(starts, float), np.array(ends, float), take.duration_s or max(ends, default=0.0))


def _marked(hit: Hit, group: str, given: Mapping[str, HarmlessMark]) -> Hit:
    mark = given.get(group)
    harmless = mark is not None and mark.harmless and not _louder(hit, mark)
    return replace(hit, group=group, harmless=harmless)


def _louder(hit: Hit, mark: HarmlessMark) -> bool:
    if hit.level_dbfs is None or mark.loudest_dbfs is None:
        return False
    return hit.level_dbfs > mark.loudest_dbfs + LOUDER_DB
