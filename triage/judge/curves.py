"""Curves over the keyboard: what each articulation and dynamic measures from the lowest pitch to the highest.

A table of notes goes in (take names unique over all sessions). Out: one ``Curve`` for each cohort and quantity,
with the notes in it, the expected band at every pitch, the outliers and the greatest step between neighbouring
pitches.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from triage.domain.measurements import COMPARED
from triage.judge.cohorts import expect
from triage.judge.features import ANOTHER_NOTE_CENTS, COHORT, WIDER, at_usual_spread, off_axis, on_axis
from triage.judge.note_table import NoteTable

OUTLIER_SIGMAS = 3.5  # sigmas (Iglewicz and Hoaglin 1993)
BAND = 2.0  # sigmas on either side: about 19 of 20 good notes lie inside


@dataclass(frozen=True)
class Quantity:
    """What a curve shows: the measurement behind it and the words for more and less of it."""

    measurement: str
    unit: str
    more: str
    less: str


QUANTITIES = {
    "length": Quantity("length_s", "s", "long", "short"),
    "level": Quantity("level_dbfs", "dB", "loud", "soft"),
    "brightness": Quantity("centroid_hz", "Hz", "bright", "dull"),
    "attack": Quantity("attack_s", "s", "late", "early"),
    "tuning": Quantity("cents", "cents", "sharp", "flat"),
}


@dataclass(frozen=True)
class Curve:
    """One quantity of one cohort; arrays of notes have one order, those of pitches another.

    ``step`` is the greatest change from one pitch to the next one played: lower pitch, upper pitch, and the
    difference of their middles in the quantity's unit; None where there is one pitch.
    """

    instrument: str
    articulation: str
    dynamic: str
    mic: str
    quantity: str
    rows: np.ndarray  # of the table, (note,)
    values: np.ndarray  # (note,) unit of the measurement
    note_expected: np.ndarray  # (note,) what each note should have been
    z: np.ndarray  # (note,) sigmas from what was expected
    outlier: np.ndarray  # (note,) bool
    pitch: np.ndarray  # (pitch,) MIDI, rising
    middle: np.ndarray  # (pitch,) median of the notes
    expected: np.ndarray  # (pitch,)
    low: np.ndarray  # (pitch,) where the band begins
    high: np.ndarray
    step: tuple[float, float, float] | None


def measured(table: NoteTable, quantity: str) -> np.ndarray:
    """Return a quantity on its compared axis, NaN where it is unknown or is that of another note.

    Parameters
    ----------
    table : NoteTable
    quantity : str
        A key of QUANTITIES.

    Returns
    -------
    ndarray, shape (note,)
        Natural logarithms for length, brightness and attack; dBFS and cents as they are.
    """
    name = QUANTITIES[quantity].measurement
    values = on_axis(name, table.values[name])
    return np.where(np.abs(values) > ANOTHER_NOTE_CENTS, np.nan, values) if name == "cents" else values


def in_unit(quantity: str, values: np.ndarray) -> np.ndarray:
    """Return values of the compared axis in the quantity's own unit.

    Parameters
    ----------
    quantity : str
    values : ndarray, any shape

    Returns
    -------
    ndarray, same shape
    """
    return off_axis(QUANTITIES[quantity].measurement, values)


def curves(table: NoteTable) -> list[Curve]:
    """Return the curves of all cohorts, five quantities each.

    expected and sigma of a note are those of cohorts.expect; at a pitch the medians over its notes are taken, and the
    band is expected +- 2 sigma on the compared axis. A note is an outlier beyond 3.5 sigma.

    Parameters
    ----------
    table : NoteTable
        Take names must be unique over all sessions.

    Returns
    -------
    list of Curve
        By cohort, then in the order of QUANTITIES; cohorts without any known pitch are left out.

    References
    ----------
    Iglewicz and Hoaglin, How to Detect and Handle Outliers, ASQC, 1993 (3.5).
    """
    cohort, wider = table.cohort(*COHORT), table.cohort(*WIDER)
    found: dict[tuple[str, str], Curve] = {}
    for quantity, about in QUANTITIES.items():
        values = measured(table, quantity)
        known = expect(values, table.pitch, cohort, wider, table.take, COMPARED[about.measurement].least_scale)
        z = at_usual_spread(known.z, wider)
        for label, mine in _cohorts(cohort, table.pitch, values):
            band = (known.expected[mine], known.scale[mine])
            found[label, quantity] = _curve(table, quantity, mine, values[mine], z[mine], band)
    labels = dict.fromkeys(label for label, _ in found)
    return [found[label, quantity] for label in labels for quantity in QUANTITIES if (label, quantity) in found]


def _cohorts(cohort: np.ndarray, pitch: np.ndarray, values: np.ndarray) -> Iterator[tuple[str, np.ndarray]]:
    for label in np.unique(cohort):
        mine = np.flatnonzero((cohort == label) & np.isfinite(pitch) & np.isfinite(values))
        if mine.size:
            yield str(label), mine


def _curve(
    table: NoteTable,
    quantity: str,
    rows: np.ndarray,
    values: np.ndarray,
    z: np.ndarray,
    band: tuple[np.ndarray, np.ndarray],
) -> Curve:
    tones, place = np.unique(np.round(table.pitch[rows]), return_inverse=True)
    groups = [place == k for k in range(len(tones))]
    middle = np.array([np.median(values[g]) for g in groups])
    expected, sigma = (np.array([_median(column[g]) for g in groups]) for column in band)
    first = rows[0]
    return Curve(
        str(table.instrument[first]),
        str(table.articulation[first]),
        str(table.dynamic[first]),
        str(table.mic[first]),
        quantity,
        rows,
        in_unit(quantity, values),
        in_unit(quantity, band[0]),
        z,
        np.abs(np.nan_to_num(z)) > OUTLIER_SIGMAS,
        tones,
        in_unit(quantity, middle),
        in_unit(quantity, expected),
        in_unit(quantity, expected - BAND * sigma),
        in_unit(quantity, expected + BAND * sigma),
        _step(quantity, tones, middle),
    )


def _median(column: np.ndarray) -> float:
    column = column[np.isfinite(column)]
    return float(np.median(column)) if column.size else float("nan")


def _step(quantity: str, tones: np.ndarray, middle: np.ndarray) -> tuple[float, float, float] | None:
    if len(tones) < 2:
        return None
    most = int(np.argmax(np.abs(np.diff(middle))))
    low, high = in_unit(quantity, middle[most : most + 2])
    return float(tones[most]), float(tones[most + 1]), float(high - low)
