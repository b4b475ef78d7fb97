"""Spots: which stretch of a take to hear, and why, in the words a person uses.

Notes with their evidence and the probability of each kind go in; spots come out, the most doubtful first. A spot
says what was found, what the neighbours let expect, and the difference.
"""

from dataclasses import dataclass

import numpy as np

from triage.domain.measurements import COMPARED
from triage.judge.features import HEARD, Evidence, off_axis, on_axis
from triage.judge.note_table import NoteTable

LEAST_DOUBT = 0.03  # of a spot on its own, six times that of a usual note: few good takes show one
UNLIKE = "unlike"
HEAD_S = 0.35  # of a note that shows its attack
HEARD_SIGMAS = 2.0  # from so much evidence beyond its neighbours' on, its peak is the place of a spot
AROUND_PEAK_S = (0.25, 0.35)  # a wobble or a sag needs this much to be heard as one


@dataclass(frozen=True)
class NoteSpot:
    """A stretch worth hearing; ``row`` is the note's row in the table."""

    row: int
    start_s: float
    end_s: float
    kind: str
    doubt: float
    why: str
    found: float | None = None
    expected: float | None = None
    unit: str | None = None


def note_spots(table: NoteTable, evidence: Evidence, kinds: list[str], doubts: np.ndarray) -> list[NoteSpot]:
    """Return the spots of all notes, noise left to its hits.

    Parameters
    ----------
    table : NoteTable
    evidence : Evidence
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
    told = (doubts[:, played] >= LEAST_DOUBT).any(axis=1) | (doubts[:, played].sum(axis=1) >= 2 * LEAST_DOUBT - 1e-9)
    for row in map(int, np.flatnonzero(told)):
        own = [
            _spot(table, evidence, row, kind, float(doubt))
            for kind, doubt in zip(kinds, doubts[row], strict=True)
            if doubt >= LEAST_DOUBT and kind != "noise"
        ]
        total = float(sum(d for k, d in zip(kinds, doubts[row], strict=True) if k != "noise"))
        if not own and total >= 2 * LEAST_DOUBT:
            own = [_unlike(table, evidence, row, total)]
        spots += sorted(own, key=lambda s: (-s.doubt, s.kind))
    return spots


def _spot(table: NoteTable, evidence: Evidence, row: int, kind: str, doubt: float) -> NoteSpot:
    start_s, end_s = _stretch(table, evidence, row, kind)
    if kind == "wrong-note":
        return _wrong_note(table, row, doubt)
    name = _loudest(evidence, row, kind)
    if name is None:
        return NoteSpot(row, start_s, end_s, kind, doubt, f"{kind} unlike its neighbours")
    found, expected = _in_unit(table, evidence, row, name)
    return NoteSpot(
        row, start_s, end_s, kind, doubt, _words(name, found, expected), found, expected, COMPARED[name].unit
    )


def _wrong_note(table: NoteTable, row: int, doubt: float) -> NoteSpot:
    pitch, away = table.pitch[row], table.values["cents"][row] / 100
    found = float(np.round(pitch + away, 2))
    why = f"sounds {abs(away):.1f} semitones {'above' if away > 0 else 'below'} the take sheet's note"
    return NoteSpot(row, table.start_s[row], table.end_s[row], "wrong-note", doubt, why, found, float(pitch), "MIDI")


def _unlike(table: NoteTable, evidence: Evidence, row: int, doubt: float) -> NoteSpot:
    z = {name: d.z[row] for name, d in evidence.deviations.items() if np.isfinite(d.z[row])}
    most = sorted(z, key=lambda name: -abs(z[name]))[:2]
    where = f", most in {' and '.join(COMPARED[name].label for name in most)}" if most else ""
    span_s, found = (float(table.start_s[row]), float(table.end_s[row])), float(evidence.outlier[row])
    kind = max((k for k in HEARD if k != "noise"), key=lambda k: heard_sigmas(evidence, row, k))
    if near := _at_peak(table, evidence, row, kind):
        span_s, where = near, f"{where}, clearest {_into(table, row, kind)}"
    return NoteSpot(row, *span_s, UNLIKE, doubt, "sounds unlike its neighbours" + where, found, 0.0, "sigma")


def heard_sigmas(evidence: Evidence, row: int, kind: str) -> float:
    """Return how far the encoder's evidence of a kind stands above that of the note's neighbours, in sigmas."""
    name = f"heard_{kind}"
    return float(evidence.matrix[row, evidence.names.index(name)]) if name in evidence.names else 0.0


def _at_peak(table: NoteTable, evidence: Evidence, row: int, kind: str) -> tuple[float, float] | None:
    """Return the stretch around the peak of a kind's evidence, inside the note; None where it says little."""
    if kind not in table.heard_s or heard_sigmas(evidence, row, kind) < HEARD_SIGMAS:
        return None
    at_s, before_s, after_s = float(table.heard_s[kind][row]), *AROUND_PEAK_S
    start_s, end_s = max(float(table.start_s[row]), at_s - before_s), min(float(table.end_s[row]), at_s + after_s)
    return (start_s, end_s) if end_s > start_s else None


def _into(table: NoteTable, row: int, kind: str) -> str:
    return f"{max(0.0, float(table.heard_s[kind][row] - table.start_s[row])):.2f} s into the note"


def _loudest(evidence: Evidence, row: int, kind: str) -> str | None:
    """Return the measurement of this kind that is furthest off."""
    z = {name: abs(evidence.deviations[name].z[row]) for name, how in COMPARED.items() if how.kind == kind}
    known = {name: value for name, value in z.items() if np.isfinite(value)}
    return max(known, key=lambda name: known[name]) if known else None


def _in_unit(table: NoteTable, evidence: Evidence, row: int, name: str) -> tuple[float, float]:
    found = on_axis(name, table.values[name][row : row + 1])
    expected = np.array([evidence.deviations[name].expected[row]])
    return float(off_axis(name, found)[0]), float(off_axis(name, expected)[0])


def _words(name: str, found: float, expected: float) -> str:
    how = COMPARED[name]
    text = how.high if found >= expected else how.low
    return (text or COMPARED[name].label + " off by {0:.2f}").format(abs(found - expected))


def _stretch(table: NoteTable, evidence: Evidence, row: int, kind: str) -> tuple[float, float]:
    """Return the part of the note where this kind is heard: where the encoder heard it most, else where it can be."""
    start_s, end_s = float(table.start_s[row]), float(table.end_s[row])
    if kind == "attack":
        return max(0.0, start_s - 0.05), min(start_s + HEAD_S, max(end_s, start_s + 0.1))
    if kind == "release":
        ring_end_s = table.ring_end_s[row]
        return max(start_s, end_s - 0.2), float(ring_end_s) if np.isfinite(ring_end_s) else end_s + 0.3
    return _at_peak(table, evidence, row, kind) or (start_s, end_s)
