"""Doubt: the calibrated probability that a producer would reject a note, and for which reason.

The matrix of features goes in, one probability a kind and note comes out. Before any verdict the model is the one
shipped in models/, fitted on faults injected into real notes (training/version_calibration.py); what it puts out are
frequencies on such material, not a squashed deviation.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import skops.io

from triage.config import shipped
from triage.domain.errors import JudgeError
from triage.judge.features import NoteFeatures
from triage.judge.model_file import read_parts, renamed_kinds
from triage.judge.spots import LEAST_DOUBT

FINE = "fine"
SHIPPED = "models/doubt.skops"


@dataclass(frozen=True)
class DoubtModel:
    """A fitted classifier of notes, and the precision of technical findings.

    ``classifier.predict_proba`` takes the matrix whose columns are ``names``; its ``classes_`` are kinds of spots
    and ``fine``. ``certain`` is, for each technical kind, the share of findings that were one.
    """

    version: str
    names: tuple[str, ...]
    classifier: Any
    certain: dict[str, float]

    def probabilities(self, features: NoteFeatures) -> tuple[list[str], np.ndarray]:
        """Return the kinds and the probability of each for each note [shape=(note, kind)].

        Rows sum to the probability of a reject; 1 less the sum is the probability that the note is fine.

        Raises
        ------
        JudgeError
            If the features have other columns than the model was fitted on.
        """
        if features.names != self.names:
            raise JudgeError(f"doubt model {self.version} was fitted on other features; use the one of this version")
        kinds = [str(kind) for kind in self.classifier.classes_]
        columns = [i for i, kind in enumerate(kinds) if kind != FINE]
        if not len(features.matrix):
            return [kinds[i] for i in columns], np.zeros((0, len(columns)))
        return [kinds[i] for i in columns], self.classifier.predict_proba(features.matrix)[:, columns]


def load_model(path: Path | None = None) -> DoubtModel:
    """Read a doubt model; loading one never runs code of the file.

    Raises
    ------
    JudgeError
        If the file is not a doubt model, or holds anything but the numbers and trees of one.
    """
    path = path or shipped(SHIPPED)
    try:
        parts = read_parts(path.read_bytes(), [])
        return DoubtModel(
            parts["version"], tuple(parts["names"]), parts["classifier"], renamed_kinds(parts["certain"])
        )
    except Exception as error:  # skops raises errors of every kind on a malformed file
        line = " ".join(str(error).split())[:200]
        remedy = "`python -m training.version_calibration` makes one"
        raise JudgeError(f"{path}: not a doubt model ({line}); {remedy}") from None


def save_model(model: DoubtModel, path: Path) -> None:
    """Write a doubt model with skops."""
    path.parent.mkdir(parents=True, exist_ok=True)
    skops.io.dump({**vars(model), "names": list(model.names)}, path)


def any_of(doubts: Sequence[float] | np.ndarray) -> float:
    """Return the probability that at least one of several independent faults is there: 1 - prod(1 - p)."""
    return float(1 - np.prod(1 - np.clip(np.asarray(doubts, float), 0, 1)))


def doubt_of_take(notes: Sequence[float] | np.ndarray, certain: Sequence[float] | np.ndarray = ()) -> float:
    """Return the probability that a take would be rejected, from the doubts of its notes and of what is beside them.

    Of a note's doubt counts what lies above LEAST_DOUBT: what any note has says nothing of this take, and many
    ordinary notes make no doubtful take. A take is at least as doubtful as its worst note.

    Parameters
    ----------
    notes : array, shape (note,)
    certain : array
        Doubts of findings that belong to no note, or need no classifier.
    """
    own = np.clip(np.asarray(notes, float), 0, 1)
    above = any_of([*np.maximum(own - LEAST_DOUBT, 0), *certain])
    return max(above, any_of([own.max(initial=0.0), *certain]))


def doubts_of_takes(notes: np.ndarray, take: np.ndarray) -> dict[str, float]:
    """Return the doubt of each take by the doubts of its notes alone [notes, take: shape=(note,)]."""
    names, rows = np.unique(take, return_inverse=True)
    parts = np.split(notes[np.argsort(rows, kind="stable")], np.cumsum(np.bincount(rows))[:-1])
    return {str(name): doubt_of_take(own) for name, own in zip(names, parts, strict=True)} if len(names) else {}
