"""Silence: hits put into groups, and what somebody heard and called harmless left out of the doubt.

Takes as the store gives them go in; they come out with each hit's group, and without the harmless hits for
the judge. A hit is harmless where the last word on its group says so and it is not clearly louder than what was
heard then: who has heard a creak has not heard one of twice that strength.
"""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
from sqlalchemy import Engine

from triage.domain.hit import HarmlessMark, Hit
from triage.domain.judgement import Judgement
from triage.domain.take import Take
from triage.judge.hit_groups import group_keys
from triage.judge.hit_rhythms import TakeNotes
from triage.ranking.evidence import form_in_use, packed, unpacked
from triage.ranking.model_in_use import Model, model_in_use
from triage.ranking.placing import place
from triage.ranking.scoring import Weighed, said, weigh
from triage.store.analysed_takes import heard_takes, save_places
from triage.store.engine import reading, writing
from triage.store.evidence import find_evidence
from triage.store.harmless_groups import groups, marks, record_mark
from triage.store.hits import save_groups
from triage.store.ranking import save_judgement
from triage.store.review_sampling import spoken_takes
from triage.store.spots import broken_files
from triage.store.stored import StoredSession
from triage.store.takes import sessions

LOUDER_DB = 6.0  # than the loudest that was heard: back on the list


def grouped(takes: Sequence[Take], words: Mapping[str, HarmlessMark]) -> list[Take]:
    """Return the takes with the group of each hit, and whether it is harmless by the last word on that group."""
    notes = {take.name: notes_of(take) for take in takes}
    rows = [replace(hit, take=take.name) for take in takes for hit in take.hits]
    harmless = {group for group, mark in words.items() if mark.harmless}
    keys = iter(group_keys(rows, notes, harmless))
    return [replace(take, hits=tuple(_marked(hit, next(keys), words) for hit in take.hits)) for take in takes]


def audible(takes: Sequence[Take]) -> list[Take]:
    """Return the takes without their harmless hits."""
    return [replace(take, hits=tuple(hit for hit in take.hits if not hit.harmless)) for take in takes]


def notes_of(take: Take) -> TakeNotes:
    """Return when a take's notes sound."""
    starts, ends = ([getattr(note, name) for note in take.notes] for name in ("start_s", "end_s"))
    return TakeNotes(np.array(starts, float), np.array(ends, float), take.duration_s or max(ends, default=0.0))


def mark_group(db_engine: Engine, session: StoredSession, group: str, by: str, harmless: bool = True) -> int:
    """Record what somebody said of a group, rank the session anew, and return how many of its hits are silent now."""
    with writing(db_engine) as db:
        loudest = groups(db, session.id).get(group)
        record_mark(db, session.id, HarmlessMark(group, harmless, session.name, by, datetime.now(UTC), loudest))
    return sum(hit.harmless for take in rank_again(db_engine, session) for hit in take.hits if hit.group == group)


def judged(
    placed: Sequence[Take],
    missing: Mapping[str, list[int]],
    broken: Mapping[str, list[str]],
    model: Model,
    spoken: Collection[str],
) -> Judgement:
    """Return what a model says of a session without its harmless hits, with the evidence for the next model."""
    weighed = weigh(audible(placed), missing, broken)
    return replace(said(weighed, model, spoken), evidence=packed(weighed))


def judge_all_again(db_engine: Engine) -> Iterator[str]:
    """Rank every session by the model in use now, yielding the name of each as it is done; no audio is read."""
    with reading(db_engine) as db:
        every, used = sessions(db), model_in_use(db)
    for session in every:
        judge_again(db_engine, session, used)
        yield session.name


def judge_again(db_engine: Engine, session: StoredSession, model: Model | None = None) -> None:
    """Rank a session by another model from the evidence kept of it; where none is kept it is gathered anew."""
    with reading(db_engine) as db:
        data, used = find_evidence(db, session.id, form_in_use()), model or model_in_use(db)
        spoken = spoken_takes(db, session.id)
    weighed = unpacked(data) if data is not None else None
    if weighed is None:
        rank_again(db_engine, session, used)
        return
    judgement = said(weighed, used, spoken)
    with writing(db_engine) as db:
        save_judgement(db, session.id, judgement)


def weighed_again(db_engine: Engine, session: StoredSession) -> Weighed:
    """Return what speaks against the notes of a session: as it is kept, else gathered anew."""
    with reading(db_engine) as db:
        data = find_evidence(db, session.id, form_in_use())
        kept = unpacked(data) if data is not None else None
        if kept is not None:
            return kept
        heard, words, broken = heard_takes(db, session.id), marks(db), broken_files(db, session.id)
    placed, missing, _ = place(grouped(heard, words), session.a4_hz)
    return weigh(audible(placed), missing, broken)


def rank_again(db_engine: Engine, session: StoredSession, model: Model | None = None) -> list[Take]:
    """Group, judge and rank a session from what the store holds of it, its files not needed; return its takes."""
    with reading(db_engine) as db:
        heard, words, broken = heard_takes(db, session.id), marks(db), broken_files(db, session.id)
        used, spoken = model or model_in_use(db), spoken_takes(db, session.id)
    placed, missing, _ = place(grouped(heard, words), session.a4_hz)
    judgement = judged(placed, missing, broken, used, spoken)
    with writing(db_engine) as db:
        save_places(db, session.id, placed)
        save_groups(db, session.id, placed)
        save_judgement(db, session.id, judgement)
    return placed


def _marked(hit: Hit, group: str, words: Mapping[str, HarmlessMark]) -> Hit:
    mark = words.get(group)
    silent = mark is not None and mark.harmless and not _louder(hit, mark)
    return replace(hit, group=group, harmless=silent)


def _louder(hit: Hit, mark: HarmlessMark) -> bool:
    if hit.level_dbfs is None or mark.loudest_dbfs is None:
        return False
    return hit.level_dbfs > mark.loudest_dbfs + LOUDER_DB
