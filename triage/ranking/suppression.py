"""Suppression: hits put into groups, and what somebody heard and called harmless left out of the doubt.

Takes as the store gives them go in; they come out with each hit's group, and without the harmless hits for the judge.
A hit is harmless where the last mark on its group says so and it is not clearly louder than what was heard then: who
has heard a creak has not heard one of twice that strength.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from triage.domain.hit import HarmlessMark, Hit
from triage.domain.take import Take
from triage.judge.hit_groups import group_keys
from triage.judge.hit_rhythms import TakeNotes

LOUDER_DB = 6.0  # than the loudest that was heard: back on the list


def group_hits(takes: Sequence[Take], given: Mapping[str, HarmlessMark]) -> list[Take]:
    """Return the takes with the group of each hit, and whether it is harmless by the last mark on that group."""
    notes = {take.name: notes_of(take) for take in takes}
    rows = [replace(hit, take=take.name) for take in takes for hit in take.hits]
    harmless = {group for group, mark in given.items() if mark.harmless}
    keys = iter(group_keys(rows, notes, harmless))
    return [replace(take, hits=tuple(_marked(hit, next(keys), given) for hit in take.hits)) for take in takes]


def without_harmless(takes: Sequence[Take]) -> list[Take]:
    """Return the takes without their harmless hits."""
    return [replace(take, hits=tuple(hit for hit in take.hits if not hit.harmless)) for take in takes]


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
