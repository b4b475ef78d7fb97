"""Tolerances as the models' page shows them: each kind beside the house's and each person's, in words and drawn."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from sqlalchemy import Connection

from triage.judge.taste_words import KINDS, SCALES, tolerance_text
from triage.judge.tasted_doubt import from_json
from triage.ranking.tastes import TASTE, taste_in_use
from triage.store.models import StoredModel, version_in_use

MOST_TIMES = 4.0  # the ends of the axis: a quarter of the house's tolerance, and four times


@dataclass(frozen=True)
class ShownTolerance:
    """One kind: the tolerance in use and the house's in words, its size, and places on the axis, 0 to 1."""

    kind: str
    text: str
    house: str
    size: float
    unit: str
    locked: bool
    learnt: bool
    place: float
    spread: tuple[float, float]  # one standard deviation to either side
    people: tuple[tuple[str, float], ...]


def tolerances(db: Connection, versions: tuple[StoredModel, ...]) -> list[ShownTolerance]:
    """Return the tolerances in use, kind by kind."""
    taste, version = taste_in_use(db), version_in_use(db)
    card = next((one.card for one in versions if one.version == version and one.card["form"] == TASTE), {})
    people = {name: from_json(own["taste"]) for name, own in card.get("tastes", {}).items()}
    rows = []
    for kind in KINDS:
        own, locked = taste.locked.get(kind, taste.kind.get(kind, 0.0)), kind in taste.locked
        sure = 0.0 if locked else card.get("sure", {}).get(kind, 0.0)
        rows.append(
            ShownTolerance(
                kind,
                tolerance_text(kind, own),
                tolerance_text(kind, 0.0),
                round(SCALES[kind].size(own) if kind in SCALES else float(np.exp(own)), 2),
                SCALES[kind].unit if kind in SCALES else "times the house's",
                locked,
                kind in taste.kind,
                place(own),
                (place(own - sure), place(own + sure)),
                tuple((name, place(one.kind.get(kind, 0.0))) for name, one in people.items()),
            )
        )
    return rows


def place(log_tolerance: float) -> float:
    """Return where a tolerance stands on the axis: 0 a quarter of the house's, 0.5 the house's, 1 four times."""
    return float(np.clip(0.5 + log_tolerance / (2 * np.log(MOST_TIMES)), 0.0, 1.0))


def learnt_in_words(versions: tuple[StoredModel, ...], version: str) -> dict[str, Any] | None:
    """Return the card of the version if it is a taste: its sentences and from how many verdicts they are."""
    return next((one.card for one in versions if one.version == version and one.card["form"] == TASTE), None)
