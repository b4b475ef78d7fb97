"""Spots: which segment of a take to hear, and why, in plain words.

Notes with their features and the probability of each kind go in; spots come out, the most doubtful first. A spot
gives what was found, what was expected from the neighbours, and the difference.
"""

from typing import Any

import numpy as np

from triage.domain.measurements import COMPARED
from triage.domain.spot import Spot
from triage.judge.features import ACTIVATIONS, NoteFeatures, off_axis, on_axis
from triage.judge.note_table import NoteTable

LEAST_DOUBT = 0.03  # of a spot on its own, six times that of a usual note: few good takes show one
UNLIKE = "unlike"
HEAD_S = 0.35  # of a note that shows its attack
ACTIVATION_SIGMAS = 2.0  # from an activation this far beyond its neighbours on, its peak is the place of a spot
AROUND_PEAK_S = (0.25, 0.35)  # a wobble or a sag needs this much to be heard as one


def note_spots(table: NoteTable, features: NoteFeatures, kinds: list[str], doubts: np.ndarray) -> list[Spot]:
    """Return the spots of all notes, noise left to its hits.

    Parameters
    ----------
    table : NoteTable
    features : NoteFeatures
    kinds : list of str
    doubts : ndarray, shape (note, kind)
        Probability of each kind.

    Returns
    -------
    list of Spot
        By row, then by falling doubt. A note that is doubtful as a whole without one likely kind gives one spot
        of kind ``unlike``.
    """
    spots = []
    played = np.array([kind != "noise" for kind in kinds], bool)
    doubtful = (doubts[:, played] >= LEAST_DOUBT).any(axis=1) | (
        doubts[:, played].sum(axis=1) >= 2 * LEAST_DOUBT - 1e-9
    )
    for row in map(int, np.flatnonzero(doubtful)):
        own = [
            _spot(table, features, row, kind, float(doubt))
            for kind, doubt in zip(kinds, doubts[row], strict=True)
            if doubt >= LEAST_DOUBT and kind != "noise"
        ]
        total = float(sum(d for k, d in zip(kinds, doubts[row], strict=True) if k != "noise"))
        if not own and total >= 2 * LEAST_DOUBT:
            own = [_unlike(table, features, row, total)]
        spots += sorted(own, key=lambda s: (-s.doubt, s.kind))
    return spots


def _spot(table: NoteTable, features: NoteFeatures, row: int, kind: str, doubt: float) -> Spot:
    start_s, end_s = _segment(table, features, row, kind)
    if kind == "wrong-note":
        return _wrong_note(table, row, doubt)
    name = _furthest_off(features, row, kind)
    if name is None:
        return _of_note(table, row, (start_s, end_s), kind, doubt, f"{kind} unlike its neighbours")
    found, expected = _in_unit(table, features, row, name)
    why = _words(name, found, expected)
    return _of_note(table, row, (start_s, end_s), kind, doubt, why, found, expected, COMPARED[name].unit)


def _of_note(
    table: NoteTable, row: int, span_s: tuple[float, float], kind: str, doubt: float, why: str, *numbers: Any
) -> Spot:
    """Return a spot on one note; ``numbers`` are what was found, what was expected, and their unit."""
    return Spot(str(table.take[row]), *span_s, int(table.number[row]), kind, doubt, why, None, *numbers)


def _wrong_note(table: NoteTable, row: int, doubt: float) -> Spot:
    pitch, away = table.pitch[row], table.values["cents"][row] / 100
    found = float(np.round(pitch + away, 2))
    why = f"sounds {abs(away):.1f} semitones {'above' if away > 0 else 'below'} the take sheet's note"
    span_s = (float(table.start_s[row]), float(table.end_s[row]))
    return _of_note(table, row, span_s, "wrong-note", doubt, why, found, float(pitch), "MIDI")


def _unlike(table: NoteTable, features: NoteFeatures, row: int, doubt: float) -> Spot:
    z = {name: d.z[row] for name, d in features.deviations.items() if np.isfinite(d.z[row])}
    most = sorted(z, key=lambda name: -abs(z[name]))[:2]
    where = f", most in {' and '.join(COMPARED[name].label for name in most)}" if most else ""
    span_s, found = (float(table.start_s[row]), float(table.end_s[row])), float(features.outlier[row])
    kind = max((k for k in ACTIVATIONS if k != "noise"), key=lambda k: activation_sigmas(features, row, k))
    if near := _at_peak(table, features, row, kind):
        span_s, where = near, f"{where}, clearest {_into(table, row, kind)}"
    return _of_note(table, row, span_s, UNLIKE, doubt, "sounds unlike its neighbours" + where, found, 0.0, "sigma")


def activation_sigmas(features: NoteFeatures, row: int, kind: str) -> float:
    """Return how far the encoder's activation of a kind stands above that of the note's neighbours, in sigmas."""
    name = f"heard_{kind}"
    return float(features.matrix[row, features.names.index(name)]) if name in features.names else 0.0


def _at_peak(table: NoteTable, features: NoteFeatures, row: int, kind: str) -> tuple[float, float] | None:
    """Return the segment around the peak of a kind's activation, inside the note; None where it hardly stands out."""
    if kind not in table.activation_peak_s or activation_sigmas(features, row, kind) < ACTIVATION_SIGMAS:
        return None
    at_s, before_s, after_s = float(table.activation_peak_s[kind][row]), *AROUND_PEAK_S
    start_s, end_s = max(float(table.start_s[row]), at_s - before_s), min(float(table.end_s[row]), at_s + after_s)
    return (start_s, end_s) if end_s > start_s else None


def _into(table: NoteTable, row: int, kind: str) -> str:
    return f"{max(0.0, float(table.activation_peak_s[kind][row] - table.start_s[row])):.2f} s into the note"


def _furthest_off(features: NoteFeatures, row: int, kind: str) -> str | None:
    """Return the measurement of this kind that is furthest off."""
    z = {name: abs(features.deviations[name].z[row]) for name, how in COMPARED.items() if how.kind == kind}
    known = {name: value for name, value in z.items() if np.isfinite(value)}
    return max(known, key=lambda name: known[name]) if known else None


def _in_unit(table: NoteTable, features: NoteFeatures, row: int, name: str) -> tuple[float, float]:
    found = on_axis(name, table.values[name][row : row + 1])
    expected = np.array([features.deviations[name].expected[row]])
    return float(off_axis(name, found)[0]), float(off_axis(name, expected)[0])


def _words(name: str, found: float, expected: float) -> str:
    how = COMPARED[name]
    text = how.high if found >= expected else how.low
    return (text or COMPARED[name].label + " off by {0:.2f}").format(abs(found - expected))


def _segment(table: NoteTable, features: NoteFeatures, row: int, kind: str) -> tuple[float, float]:
    """Return where in the note this kind was found: at the encoder's highest activation, else where it can be."""
    start_s, end_s = float(table.start_s[row]), float(table.end_s[row])
    if kind == "attack":
        return max(0.0, start_s - 0.05), min(start_s + HEAD_S, max(end_s, start_s + 0.1))
    if kind == "release":
        ring_end_s = table.ring_end_s[row]
        return max(start_s, end_s - 0.2), float(ring_end_s) if np.isfinite(ring_end_s) else end_s + 0.3
    return _at_peak(table, features, row, kind) or (start_s, end_s)
