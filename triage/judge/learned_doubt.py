"""Learned doubt: the shipped doubt, adjusted by a model trained on the producers' verdicts.

Features and relative vectors of notes go in, the probability of each kind comes out, as from ``doubt.py``. A file
holds numbers and scikit-learn's own trees, so that loading one never runs code; it names the encoder that it was made
for and the features that it needs.
"""

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import skops.io
from scipy.special import expit, logit, softmax

from triage.domain.errors import JudgeError
from triage.judge.doubt import FINE
from triage.judge.features import NoteFeatures
from triage.judge.model_file import read_parts, renamed_kinds

FORMAT = "take-triage learned doubt 1"
TREES = ["sklearn.ensemble._hist_gradient_boosting.predictor.TreePredictor"]  # arrays of numbers, no code
LEAST = 1e-6  # a probability is never nearer to 0 or 1 than this


@dataclass(frozen=True)
class LearnedDoubt:
    """The result of a retraining.

    ``kinds`` with FINE first; ``weights`` (kind, features) and ``offsets`` (kind,) of the multinomial part, those of
    FINE zero. ``shift`` moves the log-odds of a reject for the way it was played: form "none", "linear", "trees" or
    "head" with its own arrays. ``slope`` and ``level`` calibrate the log-odds. ``basis`` (dimension, component) and
    ``spread`` (component,) bring relative vectors to unit scale.
    """

    version: str
    names: tuple[str, ...]
    encoder: str
    kinds: tuple[str, ...]
    weights: np.ndarray
    offsets: np.ndarray
    certain: dict[str, float]
    basis: np.ndarray
    spread: np.ndarray
    shift: dict[str, Any] = field(default_factory=lambda: {"form": "none"})
    slope: float = 1.0
    level: float = 0.0

    def probabilities(self, features: NoteFeatures, relative: np.ndarray) -> tuple[list[str], np.ndarray]:
        """Return the kinds (FINE left out) and the probability of each for each note [shape=(note, kind)].

        Raises
        ------
        JudgeError
            If the features or the vectors are not those that the model was made for.
        """
        if features.names != self.names:
            raise JudgeError(f"model {self.version} was trained on other features; train again with `triage retrain`")
        if relative.shape[1] != len(self.basis):
            found = f"vectors of {relative.shape[1]} numbers, the model {len(self.basis)}"
            raise JudgeError(f"model {self.version} was made for encoder {self.encoder}: {found}; train again")
        kinds = list(self.kinds[1:])
        if not len(features.matrix):
            return kinds, np.zeros((0, len(kinds)))
        each = softmax(features.matrix @ self.weights.T + self.offsets, axis=1)[:, 1:]
        components = (relative @ self.basis) / self.spread
        moved = moved_kinds(self.shift, each, kinds, features.matrix, components)
        return kinds, calibrated(moved, self.slope, self.level)


def moved_kinds(
    shift: dict[str, Any], each: np.ndarray, kinds: list[str], matrix: np.ndarray, components: np.ndarray
) -> np.ndarray:
    """Return the kinds' probabilities after the shift; noise is not part of the playing and is not moved.

    With P the kinds' probabilities, F = 1 - sum P and V the sum over the playing's kinds, the log-odds
    log(V / F) of bad playing where there is no noise become log(V / F) + delta; the kinds keep their proportions.

    Parameters
    ----------
    shift : dict
        Form and arrays that give delta.
    each : ndarray, shape (note, kind)
    kinds : list of str
    matrix : ndarray, shape (note, features)
    components : ndarray, shape (note, component)

    Returns
    -------
    ndarray, shape (note, kind)
    """
    if shift["form"] == "none":
        return each
    played = np.array([kind != "noise" for kind in kinds])
    bad = np.clip(each[:, played].sum(axis=1), LEAST, 1 - LEAST)
    quiet = np.clip(1 - each[:, ~played].sum(axis=1), bad + LEAST, None)
    odds = np.log(bad / (quiet - bad))
    out = each.copy()
    out[:, played] *= (quiet * expit(odds + _delta(shift, odds, matrix, components)) / bad)[:, None]
    return out


def _delta(shift: dict[str, Any], odds: np.ndarray, matrix: np.ndarray, components: np.ndarray) -> np.ndarray:
    form = shift["form"]
    if form == "linear":
        return np.asarray(components @ shift["slopes"])
    if form == "head":
        inputs = np.column_stack([components, matrix / shift["scale"]])
        return np.asarray(np.tanh(inputs @ shift["w1"] + shift["b1"]) @ shift["w2"])
    if form == "trees":
        raw = shift["trees"].predict_proba(np.column_stack([matrix, components, odds]))[:, 1]
        return np.asarray(shift["share"] * (logit(np.clip(raw, 0.002, 0.998)) - odds))
    raise JudgeError(f"model file holds a part {form!r} that this version does not know; install the newer tool")


def calibrated(each: np.ndarray, slope: float, level: float) -> np.ndarray:
    """Return the kinds' probabilities scaled so that the log-odds x of their sum become slope * x + level."""
    total = np.clip(each.sum(axis=1), LEAST, 1 - LEAST)
    return each / total[:, None] * expit(slope * logit(total) + level)[:, None]


def to_bytes(model: LearnedDoubt) -> bytes:
    """Return the model as the bytes of a skops file."""
    parts = {"format": FORMAT, **vars(model), "names": list(model.names), "kinds": list(model.kinds)}
    made: bytes = skops.io.dumps(parts)
    return made


def from_bytes(data: bytes, where: str) -> LearnedDoubt:
    """Read a model from the bytes of a skops file; loading one never runs code of the file.

    Raises
    ------
    JudgeError
        If it is no such file, holds anything but numbers and trees, or its numbers do not fit together.
    """
    try:
        parts = read_parts(data, TREES)
        if parts.pop("format", None) != FORMAT:
            raise ValueError("another kind of file")
        parts |= {"names": tuple(parts["names"]), "kinds": tuple(parts["kinds"])}
        model = LearnedDoubt(**parts | {"certain": renamed_kinds(parts["certain"])})
        _fits(model)
    except Exception as error:  # skops raises errors of every kind on a malformed file
        line = " ".join(str(error).split())[:200]
        raise JudgeError(f"{where}: not a model of this tool ({line}); `triage retrain` makes one") from None
    return model


def _fits(model: LearnedDoubt) -> None:
    shape = (len(model.kinds), len(model.names))
    if model.kinds[0] != FINE or model.weights.shape != shape or model.offsets.shape != shape[:1]:
        raise ValueError(f"weights {model.weights.shape} for {shape[0]} kinds and {shape[1]} names")
    if model.basis.shape[1] != len(model.spread):
        raise ValueError(f"basis of {model.basis.shape[1]} components, spread of {len(model.spread)}")
