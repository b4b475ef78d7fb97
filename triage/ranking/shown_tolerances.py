"""Tolerances as the models' page shows them: a person's own beside those in use, the house's and other people's.

Each kind comes in words, with how sure it is, drawn on one axis, and with a note to hear on each side of the border.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from sqlalchemy import Connection

from triage.domain.kinds import family
from triage.judge.taste import Taste
from triage.judge.taste_words import KINDS, SCALES, size_text, tolerance_text
from triage.judge.tasted_doubt import from_json
from triage.ranking.tastes import TASTE, taste_in_use
from triage.store.models import StoredModel
from triage.store.spots import PlacedSpot, spots_at_border

MOST_TIMES = 4.0  # the ends of the axis: a quarter of the house's tolerance, and four times
BORDER = 0.5  # a doubt beyond which a note is more likely rejected than not
NEAR = 0.35  # as far from the border an example may be


@dataclass(frozen=True)
class ShownTolerance:
    """One kind: tolerances in words, and places on the axis, 0 to 1; ``own`` is None before enough verdicts."""

    kind: str
    text: str  # in use
    house: str
    size: float
    unit: str
    locked: bool
    place: float
    own: str | None
    own_between: str | None  # one standard deviation to either side, in words
    own_place: float | None
    own_spread: tuple[float, float] | None
    people: tuple[tuple[str, float, str], ...]  # other people: name, place, words
    passes: PlacedSpot | None  # to hear: just let pass
    rejected: PlacedSpot | None  # to hear: just rejected


def tolerances(db: Connection, versions: tuple[StoredModel, ...], me: str) -> list[ShownTolerance]:
    """Return all tolerances, kind by kind."""
    taste, fitted = taste_in_use(db), tastes_of_people(versions)
    examples = border_examples(db)
    return [_shown(kind, taste, fitted, me, examples.get(kind, (None, None))) for kind in KINDS]


def tastes_of_people(versions: tuple[StoredModel, ...]) -> dict[str, dict[str, Any]]:
    """Return each person's own taste as the newest learning has it: taste, sure, verdicts."""
    card = next((one.card for one in versions if one.card.get("tastes")), {})
    return {name: own | {"taste": from_json(own["taste"])} for name, own in card.get("tastes", {}).items()}


def border_examples(db: Connection) -> dict[str, tuple[PlacedSpot | None, PlacedSpot | None]]:
    """Return for each kind the spot whose doubt is nearest to the border below it, and above it."""
    found: dict[str, tuple[PlacedSpot | None, PlacedSpot | None]] = {}
    for one in spots_at_border(db, BORDER, NEAR):  # the nearest first
        name = "noise" if family(one.kind) == "noise" else one.kind
        below, above = found.get(name, (None, None))
        found[name] = (below or one, above) if one.doubt < BORDER else (below, above or one)
    return found


def place(log_tolerance: float) -> float:
    """Return where a tolerance stands on the axis: 0 a quarter of the house's, 0.5 the house's, 1 four times."""
    return float(np.clip(0.5 + log_tolerance / (2 * np.log(MOST_TIMES)), 0.0, 1.0))


def learnt_in_words(versions: tuple[StoredModel, ...], version: str) -> dict[str, Any] | None:
    """Return the card of the version if it is a taste: its sentences and from how many verdicts they are."""
    return next((one.card for one in versions if one.version == version and one.card.get("form") == TASTE), None)


def _of(taste: Taste, kind: str) -> float:
    return taste.locked.get(kind, taste.kind.get(kind, 0.0))


def _shown(
    kind: str,
    taste: Taste,
    fitted: Mapping[str, Mapping[str, Any]],
    me: str,
    examples: tuple[PlacedSpot | None, PlacedSpot | None],
) -> ShownTolerance:
    now, mine, own = _of(taste, kind), fitted.get(me), None
    between = spread = None
    if mine is not None:
        own, sure = _of(mine["taste"], kind), float(mine["sure"].get(kind, 0.0))
        between = f"{size_text(kind, own - sure)} to {size_text(kind, own + sure)}"
        spread = (place(own - sure), place(own + sure))
    others = [(name, _of(one["taste"], kind)) for name, one in fitted.items() if name != me]
    return ShownTolerance(
        kind,
        tolerance_text(kind, now),
        tolerance_text(kind, 0.0) if kind in SCALES else "its own measure",
        round(SCALES[kind].size(now) if kind in SCALES else float(np.exp(now)), 2),
        SCALES[kind].unit if kind in SCALES else "times the house's",
        kind in taste.locked,
        place(now),
        None if own is None else tolerance_text(kind, own),
        between,
        None if own is None else place(own),
        spread,
        tuple((name, place(one), tolerance_text(kind, one)) for name, one in others),
        *examples,
    )
