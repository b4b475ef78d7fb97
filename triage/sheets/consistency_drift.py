"""Drift of a day as a report shows it: tuning, brightness, attack and doubt of each instrument against the clock.

Where the set-up changes within a day, each set-up's own mean is taken out: a new seat is a step, no drift.
"""

from dataclasses import replace

import numpy as np

from triage.judge.curves import QUANTITIES, in_unit, measured
from triage.judge.drift import Day, Drift, drift, holm
from triage.sheets.consistency_notes import ComparedNotes, span_of, typical_of
from triage.sheets.consistency_text import cell_text, change_in_unit, drift_sentence
from triage.sheets.consistency_values import DriftPoint, DriftSheet

DRIFTING = ("tuning", "brightness", "attack", "doubt")
ABSOLUTE = ("tuning", "doubt")  # should be the same whatever is played


def drift_sheets(notes: ComparedNotes, outlier: np.ndarray) -> list[DriftSheet]:
    """Return the drift of each instrument, day and quantity; significance is corrected for the number of tests."""
    tested = [
        (instrument, day, quantity, _drift(notes, quantity, rows, outlier), rows)
        for instrument in np.unique(notes.table.instrument)
        for day in np.unique(notes.day)
        if (rows := np.flatnonzero((notes.table.instrument == instrument) & (notes.day == day))).size
        for quantity in DRIFTING
    ]
    stands = holm([found.trend.p if found.trend else float("nan") for *_, found, _ in tested])
    return [
        _drift_sheet(notes, str(instrument), str(day), quantity, (found, rows), stand)
        for (instrument, day, quantity, found, rows), stand in zip(tested, stands, strict=True)
    ]


def _drift(notes: ComparedNotes, quantity: str, rows: np.ndarray, outlier: np.ndarray) -> Drift:
    values = notes.doubt if quantity == "doubt" else np.where(outlier, np.nan, measured(notes.table, quantity))
    table, cohort = notes.table, notes.table.cohort("articulation", "dynamic", "mic")
    day = Day(*(c[rows] for c in (notes.hours, table.take, cohort, notes.factors["set-up"], table.pitch)))
    return drift(values[rows], day, quantity in ABSOLUTE)


def _drift_sheet(
    notes: ComparedNotes, instrument: str, day: str, quantity: str, found: tuple[Drift, np.ndarray], stands: bool
) -> DriftSheet:
    seen, rows = found
    clock, is_doubt = bool(notes.clock[rows].all()), quantity == "doubt"
    firsts = {str(take): int(row) for row, take in zip(rows[::-1], notes.table.take[rows][::-1], strict=True)}
    points = [firsts[str(take)] for take in seen.takes]
    names = (notes.dots[points[0]].take, notes.dots[points[-1]].take) if points else ("", "")
    change, low, high = _changes(notes, quantity, seen, rows) if seen.trend else (None, None, None)
    who, shown = f"{cell_text(instrument)} on {day}", replace(seen, change=change or 0.0)
    values = seen.values if is_doubt else in_unit(quantity, seen.values)
    return DriftSheet(
        *(instrument, day, quantity, "" if is_doubt else QUANTITIES[quantity].unit),
        clock,
        seen.adjusted,
        *(change, low, high),
        seen.trend.p if seen.trend else None,
        stands,
        drift_sentence(who, quantity, shown, clock, names, stands),
        seen.why_not,
        tuple(DriftPoint(float(h), float(v), p) for h, v, p in zip(seen.hours, values, points, strict=True)),
    )


def _changes(notes: ComparedNotes, quantity: str, seen: Drift, rows: np.ndarray) -> tuple[float, ...]:
    """Return the change over the day with its interval, in the quantity's unit."""
    assert seen.trend is not None
    span_h = seen.last_h - seen.first_h
    changes = (seen.change, seen.trend.low * span_h, seen.trend.high * span_h)
    if quantity == "doubt":
        return changes
    mine = np.isin(np.arange(len(notes.table)), rows)
    typical, span = typical_of(notes, quantity, mine), span_of(notes, quantity, mine)
    return tuple(change_in_unit(quantity, change, typical, span) for change in changes)
