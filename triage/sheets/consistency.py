"""Consistency of the keyboard over repetitions, sessions and days, and where the spread comes from.

``consistency(db, names)`` asks the store for the notes of all sessions, or of those named, and gives a
``ConsistencyReport`` of plain values. Notes that people rejected are left out; outliers are named, and left out of
ladder, repetitions and shares. Nothing is written.
"""

from collections.abc import Iterable, Sequence
from itertools import groupby

import numpy as np
from sqlalchemy import Connection

from triage.domain.errors import StoreError
from triage.domain.measurements import COMPARED
from triage.judge.curves import QUANTITIES, Curve, curves, measured
from triage.judge.dynamics import Rung, ladder
from triage.judge.factors import REGISTER, REST
from triage.judge.repeats import Repeats, pairs, repeats
from triage.judge.variance import Share, Spread, spread
from triage.sheets.consistency_drift import drift_sheets
from triage.sheets.consistency_notes import MEASURED, ComparedNotes, compared_notes, span_of, typical_of, whole_takes
from triage.sheets.consistency_overview import ACTED_ON, is_doubtful, of_the_queue, worst
from triage.sheets.consistency_text import LEAST_LOW, change_in_unit, ladder_sentence, spread_sentence
from triage.sheets.consistency_values import (
    ConsistencyReport,
    CurveSheet,
    DriftSheet,
    LadderSheet,
    OutlierSheet,
    PairSheet,
    RepeatSheet,
    RungSheet,
    ShareSheet,
    SpreadSheet,
)
from triage.store.consistency import chosen_sessions, notes_of_sessions, vectors

LEVELS = 10  # of a factor that are listed, the furthest off first
SPREADS = 8  # sentences about spreads at the top
MOST_IN_SPREAD = 4000  # notes whose spread is divided: of more, whole takes evenly over sessions, dynamics, pitches
RARE = 3  # pairs too much alike that are named at the top


def consistency(db: Connection, names: Sequence[str] = ()) -> ConsistencyReport:
    """Return the report over the named sessions, or all of the store."""
    found = chosen_sessions(db, names)
    ids = [one.id for one in found]
    every = notes_of_sessions(db, ids, MEASURED)
    kept = [one for one in every if not one.rejected]
    if not kept:
        where = ", ".join(one.name for one in found) or "the store"
        raise StoreError(f"no note to compare in {where}; `triage intake FOLDER` takes a session in")
    notes = compared_notes(kept, vectors(db, ids))
    return _report(notes, [one.name for one in found], len(every) - len(kept))


def _report(notes: ComparedNotes, names: Sequence[str], rejected: int) -> ConsistencyReport:
    found = curves(notes.table)
    outlier = np.zeros(len(notes.table), dtype=bool)
    for curve in found:
        outlier[curve.rows[curve.outlier]] = True
    ladders, spreads, drifts = _ladders(notes, outlier), list(_spreads(notes)), drift_sheets(notes, outlier)
    alike = sorted(_pairs(notes), key=lambda pair: (pair.alike, pair.first, pair.second))
    strays = sorted(_outliers(found), key=lambda one: not is_doubtful(notes.dots[one.dot]))
    return ConsistencyReport(
        tuple(names),
        tuple(sorted(set(map(str, notes.day)))),
        rejected,
        tuple(QUANTITIES),
        tuple(worst(notes, spreads, drifts, ladders, alike, strays)),
        tuple(_sentences(notes, spreads, drifts, ladders, alike, outlier)),
        notes.dots,
        tuple(map(_curve_sheet, found)),
        tuple(strays),
        tuple(ladders),
        tuple(_repeat_sheet(one, notes) for one in repeats(notes.table, outlier)),
        tuple(alike),
        tuple(sheet for _, sheet in spreads),
        tuple(drifts),
    )


def _sentences(
    notes: ComparedNotes,
    spreads: Sequence[tuple[Spread, SpreadSheet]],
    drifts: Sequence[DriftSheet],
    ladders: Sequence[LadderSheet],
    alike: Sequence[PairSheet],
    outlier: np.ndarray,
) -> Iterable[str]:
    """Yield what can be acted on, the most important first."""
    acted = [(weight, sheet.sentence) for found, sheet in spreads if (weight := _weight(found, sheet.quantity))]
    acted.sort(key=lambda one: -one[0])
    yield from (sentence for _, sentence in acted[:SPREADS])
    if len(acted) > SPREADS:
        yield f"{len(acted) - SPREADS} more spreads have a known cause; they are listed below."
    yield from (one.sentence for one in drifts if one.found)
    yield from (one.sentence for one in ladders if any(r.level != "rises" for r in one.rungs))
    too = [pair for pair in alike if pair.too_alike]
    for pair in too[:RARE]:
        first, second = notes.dots[pair.first], notes.dots[pair.second]
        yield (
            f"{first.take} note {first.note} and {second.take} note {second.note} are too much alike to be two "
            "performances: one may be a copy."
        )
    if len(too) > RARE:
        yield f"{len(too) - RARE} more pairs of notes are too much alike."
    if outlier.any():
        yield (
            f"{int(outlier.sum())} of {len(outlier)} notes lie apart from their neighbours and are listed below: "
            f"{of_the_queue(notes, outlier)}."
        )


def _weight(found: Spread, quantity: str) -> float:
    """Return how noticeable a spread's main cause is, in just noticeable steps; 0 where it is not worth a line."""
    told = (s for s in found.shares if s.factor != REST and not s.why_not and s.low >= LEAST_LOW)
    known = max((s.share for s in told), default=0.0)
    steps = found.sigma * known**0.5 / COMPARED[QUANTITIES[quantity].measurement].least_scale
    return steps if known >= ACTED_ON and steps >= 1.0 else 0.0


def _cohort(one: Curve | Repeats) -> tuple[str, str, str, str, str, str]:
    return one.instrument, one.articulation, one.dynamic, one.mic, one.quantity, QUANTITIES[one.quantity].unit


def _curve_sheet(curve: Curve) -> CurveSheet:
    low, high, step = curve.step or (None, None, None)
    return CurveSheet(
        *_cohort(curve),
        tuple(int(p) for p in curve.pitch),
        *(_plain(curve.middle), _plain(curve.expected), _plain(curve.low), _plain(curve.high)),
        tuple(map(int, curve.rows)),
        tuple(map(int, curve.rows[curve.outlier])),
        None if low is None else int(low),
        None if high is None else int(high),
        step,
    )


def _outliers(found: Iterable[Curve]) -> list[OutlierSheet]:
    """Return the outliers, the furthest off first."""
    sheets = []
    for curve in found:
        about = QUANTITIES[curve.quantity]
        how = COMPARED[about.measurement]
        for i in np.flatnonzero(curve.outlier):
            value, due = float(curve.values[i]), float(curve.note_expected[i])
            why = (how.high if value >= due else how.low).format(abs(value - due))
            z = float(curve.z[i])
            sheets.append(OutlierSheet(int(curve.rows[i]), curve.quantity, about.unit, value, due, z, why))
    return sorted(sheets, key=lambda s: (-abs(s.sigmas), s.dot, s.quantity))


def _ladders(notes: ComparedNotes, outlier: np.ndarray) -> list[LadderSheet]:
    sheets = []
    for key, group in groupby(ladder(notes.table, outlier), _step):
        rungs = list(group)
        apart = not any(_sessions(notes, r.lower) & _sessions(notes, r.upper) for r in rungs)
        sentence = ladder_sentence(rungs)
        if apart:
            sentence += " They were recorded in different sessions: the level holds only if the gain stayed."
        plain = tuple(
            RungSheet(*_step(r), round(r.pitch), r.level_db, r.brighter, r.level, r.brightness, r.lower, r.upper)
            for r in rungs
        )
        sheets.append(LadderSheet(*key, sentence, apart, plain))
    return sheets


def _step(rung: Rung) -> tuple[str, str, str, str, str]:
    return rung.instrument, rung.articulation, rung.mic, rung.softer, rung.louder


def _sessions(notes: ComparedNotes, rows: Iterable[int]) -> set[str]:
    return {notes.dots[row].session for row in rows}


def _repeat_sheet(one: Repeats, notes: ComparedNotes) -> RepeatSheet:
    table = notes.table
    mine = (table.instrument == one.instrument) & (table.articulation == one.articulation)
    mine &= (table.dynamic == one.dynamic) & (table.mic == one.mic)
    typical, span = typical_of(notes, one.quantity, mine), span_of(notes, one.quantity, mine)
    sizes = (one.low, one.sigma, one.high)
    low, middle, high = (change_in_unit(one.quantity, size, typical, span) for size in sizes)
    return RepeatSheet(*_cohort(one), middle, low, high, one.cells, one.notes)


def _pairs(notes: ComparedNotes) -> list[PairSheet]:
    return [
        PairSheet(p.first, p.second, p.alike, p.distance if np.isfinite(p.distance) else None, p.too_alike)
        for p in pairs(notes.table)
        if np.isfinite(p.alike)
    ]


def _spreads(notes: ComparedNotes) -> Iterable[tuple[Spread, SpreadSheet]]:
    table = notes.table
    part = table.cohort("instrument", "articulation")
    for label in np.unique(part):
        every = np.flatnonzero(part == label)
        mine = whole_takes(notes, every, MOST_IN_SPREAD)
        factors = {name: labels[mine] for name, labels in notes.factors.items()}
        instrument, articulation = str(table.instrument[mine[0]]), str(table.articulation[mine[0]])
        for quantity, about in QUANTITIES.items():
            values = measured(table, quantity)[mine]
            found = spread(values, table.pitch[mine], table.dynamic[mine], factors)
            typical = typical_of(notes, quantity, part == label)
            sentence = spread_sentence(instrument, articulation, quantity, found, typical)
            if len(mine) < len(every) and not found.why_not:
                sentence += f" Estimated from {len(mine)} of the {len(every)} notes, in whole takes."
            shares = tuple(_share_sheet(s, quantity, typical, found.span) for s in found.shares)
            sigma = change_in_unit(quantity, found.sigma, typical, found.span) if np.isfinite(found.sigma) else None
            names, outliers = (instrument, articulation, quantity, about.unit), tuple(map(int, mine[found.outliers]))
            usual = typical if np.isfinite(typical) else None
            yield found, SpreadSheet(*names, usual, sigma, found.notes, len(every), sentence, shares, outliers)


def _share_sheet(share: Share, quantity: str, typical: float, span: tuple[float, float]) -> ShareSheet:
    """Return a share with its effects in the unit: every pitch of the register, else the levels furthest off."""
    effects = share.effects
    if share.factor != REGISTER:
        effects = tuple(sorted(effects, key=lambda one: (-abs(one[1]), one[0]))[:LEVELS])
    in_unit = tuple((level, change_in_unit(quantity, value, typical, span)) for level, value in effects)
    if share.why_not:
        return ShareSheet(share.factor, share.levels, None, None, None, in_unit, share.why_not)
    return ShareSheet(share.factor, share.levels, share.share, share.low, share.high, in_unit, "")


def _plain(column: np.ndarray) -> tuple[float | None, ...]:
    return tuple(float(v) if np.isfinite(v) else None for v in column)
