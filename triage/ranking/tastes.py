"""Tastes in the store: the one in use, a new version of it, a tolerance set by hand. Wiring between store and judge.

A taste is a version among the models, so that going back is the same for all of them.
"""

from dataclasses import replace
from datetime import UTC, datetime
from hashlib import sha256
from typing import Any

from sqlalchemy import Connection, Engine

from triage.analysis.encoding import encoder_in_use
from triage.domain.errors import JudgeError
from triage.judge.taste import HOUSE, Taste
from triage.judge.taste_words import sentences
from triage.judge.tasted_doubt import from_bytes, from_json, is_taste, to_bytes
from triage.ranking.model_in_use import base_in_use
from triage.ranking.session import judge_all_sessions_again
from triage.store.engine import reading, writing
from triage.store.models import StoredModel, add_model, model_file, models, use_model, version_in_use

TASTE = "taste"  # the form of a version, as its card names it
LEARNT = ("words", "rejects", "sessions", "people", "sure", "tastes", "data")  # of a card: holds after a lock as well


def taste_in_use(db: Connection) -> Taste:
    """Return the taste that judges this store's takes: the house's before any was learnt or set."""
    version = version_in_use(db)
    if version is None or not is_taste(data := model_file(db, version)):
        return HOUSE
    return from_bytes(data, f"model {version}")[0]


def keep_taste(engine: Engine, taste: Taste, by: str, card: dict[str, Any], use: bool) -> str:
    """Keep a taste as a version and, if it is to be used, judge every session again; return the version's name."""
    made_at = datetime.now(UTC)
    with writing(engine) as db:
        file = to_bytes(taste, base_in_use(db))
        digest = sha256(file).hexdigest()
        version = f"taste-{made_at:%Y%m%d-%H%M%S}-{digest[:6]}"
        known = {
            "version": version,
            "form": TASTE,
            "words": 0,
            "rejects": 0,
            "sessions": [],
            "people": [],
            "scores": {},
        }
        known |= {"sentences": sentences(taste, card.get("sure"))}
        add_model(db, StoredModel(version, made_at, by, encoder_in_use().name, digest, known | card), file)
        if use:
            use_model(db, version, made_at, by)
    if use:
        for _ in judge_all_sessions_again(engine):
            pass
    return version


def use_taste_of(engine: Engine, person: str, by: str) -> str:
    """Put one person's own tolerances to use as the newest learning has them; what was set by hand stays.

    Returns the new version's name; JudgeError where nothing was learnt of the person.
    """
    with reading(engine) as db:
        now, card = taste_in_use(db), next((one.card for one in models(db) if one.card.get("tastes")), {})
    own = card.get("tastes", {}).get(person)
    if own is None:
        known = ", ".join(sorted(card.get("tastes", {}))) or "nobody yet"
        raise JudgeError(f"no tolerances of {person!r}: there are those of {known}; 20 verdicts and `triage retrain`")
    taste = replace(from_json(own["taste"]), locked=now.locked)
    kept = {name: card[name] for name in ("tastes", "sessions", "data") if name in card}
    about = {"people": [person], "words": own["verdicts"], "sure": own["sure"]}
    return keep_taste(engine, taste, by, kept | about, use=True)


def set_tolerance(engine: Engine, kind: str, log_tolerance: float | None, by: str) -> str:
    """Lock a kind's tolerance, or with None give it back to what is learnt; return the new version in use."""
    with reading(engine) as db:
        taste, version = taste_in_use(db), version_in_use(db)
        card = next((one.card for one in models(db) if one.version == version and one.card["form"] == TASTE), {})
    locked = {name: value for name, value in taste.locked.items() if name != kind}
    if log_tolerance is not None:
        locked[kind] = log_tolerance
    return keep_taste(
        engine, replace(taste, locked=locked), by, {name: card[name] for name in LEARNT if name in card}, use=True
    )
