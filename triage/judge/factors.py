"""The factors of a spread as columns for the model, and why some of them are confounded in the notes at hand.

Pitch (MIDI), dynamic and labels of every note go in; out come blocks of random columns, the register's among them,
and for the other factors the reason as text.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

REGISTER, PITCH, REST = "register", "pitch", "rest"
REACH_SEMITONES = 12.0  # an octave apart two pitches share a third of what their register does
LEAST_MODE = 0.01  # of the widest bend: finer ones are left to the single pitches
OWN_CURVE = 0.5  # how far a dynamic's register curve may leave the common one, relative to that one
LEAST_PITCHES = 4
ALIASED = 1e-6  # of a column's size: what is left of it beside others is rounding


@dataclass(frozen=True)
class FactorColumns:
    """The columns of one factor and each note's level of it."""

    factor: str
    columns: np.ndarray  # (n, q)
    labels: np.ndarray  # (n,)


@dataclass(frozen=True)
class UndeterminedFactor:
    """A factor whose share cannot be determined."""

    factor: str
    levels: int
    why: str


def blocks(
    pitch: np.ndarray, dynamic: np.ndarray, factors: Mapping[str, np.ndarray]
) -> tuple[list[FactorColumns], list[UndeterminedFactor]]:
    """Return the factors that can be separated in these notes, and the others with the reason.

    A factor is determined where it has more than one level, does not change with an earlier one throughout, and adds
    to the rank of the columns before it. The register comes first, single pitches (in their dynamic) last.

    Parameters
    ----------
    pitch : ndarray, shape (n,)
        MIDI.
    dynamic : ndarray of str, shape (n,)
    factors : mapping of str to ndarray of str, shape (n,)
        Coarsest first.

    Returns
    -------
    determined : list of FactorColumns
    undetermined : list of UndeterminedFactor
    """
    determined, undetermined = [], []
    tones = np.unique(pitch)
    if len(tones) >= LEAST_PITCHES:
        determined.append(FactorColumns(REGISTER, _register(pitch, dynamic), pitch.astype(str)))
    else:
        undetermined.append(
            UndeterminedFactor(REGISTER, len(tones), f"only {len(tones)} pitch{'' if len(tones) == 1 else 'es'}")
        )
    x, before = indicators(dynamic), dict[str, np.ndarray]()
    cell = np.array([f"{tone:g} {word}" for tone, word in zip(pitch, dynamic, strict=True)])
    for name, labels in {**factors, PITCH: cell}.items():
        columns = indicators(labels)
        if why := _why_not(name, columns, labels, before, x):
            undetermined.append(UndeterminedFactor(name, columns.shape[1], why))
        else:
            determined.append(FactorColumns(name, columns, labels))
            before[name] = labels
    return determined, undetermined


def indicators(labels: np.ndarray) -> np.ndarray:
    """Return a column of 0 and 1 for each label, in order of the labels [shape=(n, level)].

    Parameters
    ----------
    labels : ndarray, shape (n,)

    Returns
    -------
    ndarray, shape (n, level)
    """
    return (labels[:, None] == np.unique(labels)).astype(float)


def _why_not(name: str, columns: np.ndarray, labels: np.ndarray, before: dict[str, np.ndarray], x: np.ndarray) -> str:
    """Return why a factor's share cannot be determined, or nothing."""
    n, levels = columns.shape
    if levels == 1:
        return f"only one {name}"
    if levels == n:
        return f"no {name} has two notes"
    for other, theirs in before.items():
        if len(np.unique(theirs)) == levels == len(set(zip(theirs, labels, strict=True))):
            return f"changes whenever the {other} does"
    taken = np.column_stack([x, *(indicators(of) for of in before.values())])
    if not _adds(columns, taken):
        return f"cannot be told apart from {' and '.join(before) or 'the dynamic'}"
    return ""


def _adds(columns: np.ndarray, taken: np.ndarray) -> bool:
    """Tell whether the columns reach beyond those taken: a random mix of them does if any of them does."""
    mix = columns @ np.random.default_rng(0).standard_normal(columns.shape[1])
    part = np.linalg.lstsq(taken.T @ taken, taken.T @ mix, rcond=None)[0]
    return bool(np.linalg.norm(mix - taken @ part) > ALIASED * np.linalg.norm(mix))


def _register(pitch: np.ndarray, dynamic: np.ndarray) -> np.ndarray:
    """Return columns whose random sums are curves over the pitches, bent or stepped, one common and one a dynamic."""
    tones, place = np.unique(pitch, return_inverse=True)
    kernel = np.exp(-np.abs(tones[:, None] - tones) / REACH_SEMITONES)
    centre = np.eye(len(tones)) - 1.0 / len(tones)
    kernel = centre @ kernel @ centre
    size, turn = np.linalg.eigh(kernel / np.trace(kernel) * len(tones))
    common = (turn * np.sqrt(np.maximum(size, 0.0)))[:, size > LEAST_MODE * size[-1]][place]
    own = [OWN_CURVE * common * (dynamic == word)[:, None] for word in np.unique(dynamic)]
    return np.column_stack([common, *(own if len(own) > 1 else [])])
