"""One session ranked: from its takes in the store to doubts, spots and ranks in the store. No audio is read.

``rank_session`` does everything anew: notes on the sheet, groups of hits, features, doubts. ``judge_session_again``
applies another model to the features that the last ranking kept, which takes a fraction of the time.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from sqlalchemy import Connection, Engine

from triage.domain.hit import HarmlessMark, HitCorrection
from triage.domain.take import Take
from triage.ranking.expected_values import expected_values
from triage.ranking.feature_file import from_bytes, to_bytes
from triage.ranking.model_in_use import Model, model_in_use
from triage.ranking.placing import place
from triage.ranking.scoring import judge
from triage.ranking.session_features import SessionFeatures, session_features
from triage.ranking.suppression import group_hits, without_harmless
from triage.ranking.up_to_date import features_key
from triage.store.analysed_takes import analysed_takes, save_places
from triage.store.engine import reading, writing
from triage.store.harmless_groups import groups, marks, record_mark
from triage.store.hit_corrections import hit_corrections, record_correction
from triage.store.hits import save_groups
from triage.store.ranking import save_judgement
from triage.store.review_sampling import reviewed_takes
from triage.store.session_features import find_features
from triage.store.spots import broken_files
from triage.store.stored import StoredSession
from triage.store.takes import session_of, sessions


@dataclass(frozen=True)
class RankedSession:
    """The takes with their notes on the sheet, the features they were judged by, and lines for a person."""

    takes: list[Take]
    features: SessionFeatures
    problems: list[str]


def rank_session(
    engine: Engine,
    session_id: int,
    a4_hz: float,
    model: Model | None = None,
    broken: Mapping[str, list[str]] | None = None,
) -> RankedSession:
    """Rank all takes of a session; ``broken`` names each take's unusable files, else they are as last taken in."""
    with reading(engine) as db:
        ranked = _featured(db, session_id, a4_hz, broken)
        model, reviewed = model or model_in_use(db), reviewed_takes(db, session_id)
    judgement = judge(ranked.features, model, reviewed)
    expected = tuple(expected_values(ranked.features))
    judgement = replace(judgement, features=to_bytes(ranked.features), expected=expected)
    with writing(engine) as db:
        save_places(db, session_id, ranked.takes)
        save_groups(db, session_id, ranked.takes)
        save_judgement(db, session_id, judgement)
    return ranked


def judge_session_again(engine: Engine, session: StoredSession, model: Model | None = None) -> None:
    """Rank a session by another model from the features kept of it; where none are kept, rank it anew."""
    with reading(engine) as db:
        features, model = kept_features(db, session.id), model or model_in_use(db)
        reviewed = reviewed_takes(db, session.id)
    if features is None:
        rank_session(engine, session.id, session.a4_hz, model)
        return
    judgement = judge(features, model, reviewed)
    with writing(engine) as db:
        save_judgement(db, session.id, judgement)


def judge_all_sessions_again(engine: Engine) -> Iterator[str]:
    """Rank every session by the model in use now, yielding the name of each as it is done."""
    with reading(engine) as db:
        every, model = sessions(db), model_in_use(db)
    for session in every:
        judge_session_again(engine, session, model)
        yield session.name


def features_of_session(engine: Engine, session: StoredSession) -> SessionFeatures:
    """Return the features of a session: those that its last ranking kept, else built anew."""
    with reading(engine) as db:
        kept = kept_features(db, session.id)
        return kept if kept is not None else _featured(db, session.id, session.a4_hz, None).features


def mark_groups(engine: Engine, session: StoredSession, marked: Sequence[str], by: str, harmless: bool = True) -> int:
    """Record whether groups of hits are harmless, rank the session anew, and return how many are left out now."""
    with writing(engine) as db:
        loudest, now = groups(db, session.id), datetime.now(UTC)
        for group in marked:
            record_mark(db, session.id, HarmlessMark(group, harmless, session.name, by, now, loudest.get(group)))
    ranked = rank_session(engine, session.id, session.a4_hz)
    return sum(hit.harmless for take in ranked.takes for hit in take.hits if hit.group in marked)


def correct_hit(engine: Engine, session: StoredSession, given: HitCorrection) -> None:
    """Record a person's correction of a hit and rank the session anew."""
    with writing(engine) as db:
        record_correction(db, given)
    rank_session(engine, session.id, session.a4_hz)


def _featured(db: Connection, session_id: int, a4_hz: float, broken: Mapping[str, list[str]] | None) -> RankedSession:
    broken = broken_files(db, session_id) if broken is None else broken
    session = session_of(db, session_id)
    name, takes = session.name if session else "", analysed_takes(db, session_id)
    grouped = group_hits(takes, marks(db), name, hit_corrections(db))
    placed, missing, problems = place(grouped, a4_hz)
    left_out = {take.name: [hit for hit in take.hits if hit.harmless or hit.usual] for take in placed}
    return RankedSession(placed, session_features(without_harmless(placed), missing, broken, left_out), problems)


def kept_features(db: Connection, session_id: int) -> SessionFeatures | None:
    """Return the features that a session was ranked by last, None where none are kept or this tool has others."""
    data = find_features(db, session_id, features_key())
    return None if data is None else from_bytes(data)
