"""Tasted doubt: a doubt as a producer's tolerances change it, and the file that a taste is kept in.

A file holds the numbers of a taste as JSON and names the doubt that it builds on: the shipped one, or a version.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from triage.domain.errors import JudgeError
from triage.judge.doubt import DoubtModel
from triage.judge.features import NoteFeatures
from triage.judge.learned_doubt import LearnedDoubt
from triage.judge.note_table import NoteTable
from triage.judge.taste import MOST, Taste, evidence, tasted

FORMAT = "take-triage taste 1"
Base = DoubtModel | LearnedDoubt


@dataclass(frozen=True)
class TastedDoubt:
    """A doubt and the taste that changes it."""

    version: str
    base: Base
    taste: Taste

    @property
    def certain(self) -> dict[str, float]:
        """How certain each finding is that needs no classifier: no matter of taste."""
        return self.base.certain

    def probabilities(
        self, features: NoteFeatures, relative: np.ndarray, table: NoteTable
    ) -> tuple[list[str], np.ndarray]:
        """Return the kinds and the probability of each for each note [shape=(note, kind)]."""
        kinds, each = base_probabilities(self.base, features, relative)
        if not len(each):
            return kinds, each
        found = evidence(each, kinds, features, table)
        return kinds, tasted(found, self.taste.added(kinds, table, found.side))


def base_probabilities(base: Base, features: NoteFeatures, relative: np.ndarray) -> tuple[list[str], np.ndarray]:
    """Return what a doubt without a taste makes of the notes."""
    if isinstance(base, DoubtModel):
        return base.probabilities(features)
    if not relative.shape[1]:  # nothing was embedded: no vector differs from its neighbours
        relative = np.zeros((len(relative), len(base.basis)))
    return base.probabilities(features, relative)


def to_bytes(taste: Taste, base: str) -> bytes:
    """Return a taste as the bytes of its file; ``base`` names the doubt that it builds on."""
    return json.dumps({"format": FORMAT, "base": base, "taste": as_json(taste)}, indent=1).encode()


def is_taste(data: bytes) -> bool:
    """Tell whether the bytes are meant to be a taste's file."""
    return data.lstrip()[:1] == b"{"


def from_bytes(data: bytes, where: str) -> tuple[Taste, str]:
    """Read a taste and the name of the doubt that it builds on.

    Raises
    ------
    JudgeError
        If it is no such file, or its numbers are none.
    """
    try:
        parts = json.loads(data)
        if parts["format"] != FORMAT:
            raise ValueError("another kind of file")
        return from_json(parts["taste"]), str(parts["base"])
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        line = " ".join(str(error).split())[:200]
        raise JudgeError(f"{where}: not a taste of this tool ({line}); `triage retrain` makes one") from None


def as_json(taste: Taste) -> dict[str, object]:
    """Return a taste as plain lists and numbers."""
    return {
        "kind": dict(taste.kind),
        "articulation": [[kind, name, value] for (kind, name), value in taste.articulation.items()],
        "instrument": [[kind, name, value] for (kind, name), value in taste.instrument.items()],
        "direction": dict(taste.direction),
        "locked": dict(taste.locked),
    }


def from_json(parts: Mapping[str, object]) -> Taste:
    """Return the taste that ``as_json`` wrote; ValueError where a number is out of bounds."""

    def numbers(found: object) -> dict[str, float]:
        return {str(name): _number(value) for name, value in dict(found).items()}  # type: ignore[call-overload]

    def pairs(found: object) -> dict[tuple[str, str], float]:
        return {(str(kind), str(name)): _number(value) for kind, name, value in found}  # type: ignore[attr-defined]

    return Taste(
        numbers(parts["kind"]),
        pairs(parts["articulation"]),
        pairs(parts["instrument"]),
        numbers(parts["direction"]),
        numbers(parts["locked"]),
    )


def _number(value: object) -> float:
    found = float(value)  # type: ignore[arg-type]
    if not np.isfinite(found) or abs(found) > 4 * MOST:
        raise ValueError(f"{found} is out of bounds")
    return found
