"""Quick retraining: a producer's tolerances learnt from all verdicts of a store, in seconds.

Verdicts → labels on notes (verdict_examples.py) → the most probable taste on top of the doubt in use (taste_fit.py),
of all people together and of each alone → kept as a version of the store, tracked with MLflow, and put to use at once
where there are enough verdicts. What was set by hand stays.
"""

import json
from collections import Counter
from collections.abc import Mapping
from typing import Any

from sqlalchemy import Engine

from training import retraining
from training.retraining import EXPERIMENT, TrainingData, data_hash, retrained, training_data
from training.selection import RetrainingConfig
from training.taste_fit import FittedTaste, HouseDoubts, TasteConfig, fit_taste
from training.tracking import folder_beside, tracked
from triage.cli.output import counted, notify
from triage.config import read_toml, shipped
from triage.domain.errors import JudgeError
from triage.judge.taste import HOUSE
from triage.judge.taste_words import sentences
from triage.judge.tasted_doubt import as_json, base_probabilities
from triage.ranking.model_in_use import base_doubt, base_in_use
from triage.ranking.tastes import keep_taste, taste_in_use
from triage.store.engine import reading

ENOUGH = 50  # verdicts from which on a taste takes part at once
OF_ONE = 20  # verdicts from which on a person's own taste is shown


def learn_whole_model(
    engine: Engine, config: RetrainingConfig, by: str, use: bool | None = None
) -> tuple[dict[str, Any], str]:
    """Train a whole model and, where it is put to use, fit the tolerances in use anew on top of it.

    Tolerances set by hand stay. Returns the model's card and the report for a person.
    """
    with reading(engine) as db:
        before = taste_in_use(db)
    card = retrained(engine, config, by, use)
    report = retraining.printed(card)
    if card["put_to_use"] and before != HOUSE:
        above = learn_taste(engine, by, use=True, locked=before.locked)
        card["taste"] = {name: above[name] for name in ("version", "sentences")}
        report += "the tolerances stay on top of it, learnt anew: " + printed(above)
    return card, report


def learn_taste(
    engine: Engine, by: str, use: bool | None = None, locked: Mapping[str, float] | None = None
) -> dict[str, Any]:
    """Fit the taste of all people and of each, keep it, and put it to use; return its card.

    ``locked`` are log tolerances set by hand; if not given, those in use.
    """
    config = read_toml(shipped("configs/taste.toml"), TasteConfig)
    data = training_data(engine)
    count = data.given
    if not any(one.labels for one in data.examples):
        raise JudgeError("no verdict to learn from yet: give some at the desk or with `triage verdict`")
    with reading(engine) as db:
        before, base = taste_in_use(db), base_doubt(db, base_in_use(db))
    house = []
    for one in data.examples:
        kinds, each = base_probabilities(base, one.features, one.relative)
        house.append(HouseDoubts(one, tuple(kinds), each))
    fitted = fit_taste(house, config, before.locked if locked is None else locked)
    put_to_use = count >= ENOUGH if use is None else use
    card = {
        "words": count,
        "rejects": sum(label.rejected >= 0.5 for one in data.examples for label in one.labels),
        "sessions": [one.session for one in data.examples],
        "people": sorted({one.by for own in data.verdicts.values() for one in own}),
        "data": data_hash(data),
        "sure": fitted.sure,
        "tastes": _of_people(data, house, config, fitted if not before.locked and not locked else None),
        "put_to_use": put_to_use,
    }
    notify(f"learnt from {counted(count, 'verdict')} on {counted(len(house), 'session')}")
    version = keep_taste(engine, fitted.taste, by, card, put_to_use)
    card |= {"version": version, "form": "taste", "sentences": sentences(fitted.taste, fitted.sure)}
    with tracked(EXPERIMENT, version, folder_beside(engine.url)) as run:
        run.settings(config.model_dump(mode="json") | {name: card[name] for name in ("data", "words", "rejects")})
        run.numbers({f"log_tolerance/{kind}": value for kind, value in fitted.taste.kind.items()})
        run.text("taste.json", json.dumps(as_json(fitted.taste), indent=1))
    return card | {"problems": run.problems}


def _of_people(
    data: TrainingData, house: list[HouseDoubts], config: TasteConfig, of_all: FittedTaste | None
) -> dict[str, Any]:
    """Return each person's own taste, of those with enough verdicts; ``of_all`` is of somebody alone as well."""
    counts = Counter(one.by for own in data.verdicts.values() for one in own)
    found = {}
    for person in sorted(name for name, count in counts.items() if count >= OF_ONE):
        mine = [
            HouseDoubts(
                one.examples.with_verdicts(
                    [v for v in data.verdicts[one.examples.session] if v.by == person and v.stands]
                ),
                one.kinds,
                one.each,
            )
            for one in house
        ]
        fitted = of_all if of_all is not None and len(counts) == 1 else fit_taste(mine, config)
        found[person] = {"taste": as_json(fitted.taste), "sure": fitted.sure, "verdicts": counts[person]}
    return found


def printed(card: dict[str, Any]) -> str:
    """Return the report for a person."""
    head = f"{card['version']}: tolerances learnt from {counted(card['words'], 'verdict')}\n"
    lines = "".join(f"  {line}\n" for line in card["sentences"]) or "  nothing that differs from the house's yet\n"
    if card["put_to_use"]:
        return head + lines + "in use; all sessions were judged again\n"
    use = f"`triage models --use {card['version']}`"
    return f"{head}{lines}not in use: {ENOUGH} verdicts are enough; {use} does it now\n"
