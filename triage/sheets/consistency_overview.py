"""What a consistency report finds worst: what, where, whether a listener notices it, and what to do about it.

In: the compared notes and the sheets made of them. Out: one ``WorstSheet`` for each finding, ordered by how far it
lies beyond what is noticed, times how many notes it concerns; what is not heard comes last. A single note is a
finding only where it is doubtful in the queue as well, so that the two never contradict each other.
"""

from collections.abc import Iterable, Iterator

import numpy as np

from triage.domain.measurements import COMPARED
from triage.domain.pitch import pitch_name
from triage.judge.clean_notes import DOUBT_BOUND
from triage.judge.curves import QUANTITIES, measured
from triage.judge.dynamics import FALLS, RISES
from triage.judge.factors import PITCH, REGISTER, REST
from triage.judge.variance import Share, Spread
from triage.sheets.consistency_notes import ComparedNotes, span_of, typical_of
from triage.sheets.consistency_text import (
    LEAST_LOW,
    PLURAL,
    cell_text,
    change_in_unit,
    effect_text,
    queue_text,
    register_third,
)
from triage.sheets.consistency_values import (
    Dot,
    DriftSheet,
    LadderSheet,
    OutlierSheet,
    PairSheet,
    SpreadSheet,
    WorstSheet,
)

ACTED_ON = 0.3  # of a spread: from this share on its cause is a finding
MOST, MOST_SINGLE = 8, 4  # findings about many notes, and about single ones
NAMED = 4  # pitches in a row of the overview
ORDER_S = 0.02
HARDLY = 0.5  # of what a listener notices
UNHEARD = ("no", "hardly")
REMEDIES = {
    REGISTER: "hear it beside the middle of the keyboard; have it played more evenly, or even it out in the library",
    PITCH: "hear this pitch beside the next ones; keep the notes nearest to them (Keepers)",
    "take": "hear the take beside another; keep the notes of one of the two (Keepers)",
    "repetition": "let the row begin with a note that is not kept",
    "set-up": "put the seat back as it was, or keep the notes of one set-up together",
    "microphone": "keep the notes of one microphone together",
}
OF_A_DAY = "compare gain, tuning and places before more is recorded; keep notes of one day together where it is heard"


def audible_times(quantity: str, size: float, typical: float, span: tuple[float, float]) -> float:
    """Return a step on the compared axis in units of what a listener notices.

    Two sounds 20 ms apart are heard one after the other (Hirsh, JASA 31, 1959); the rest as the measurements have it.
    """
    if quantity == "attack":
        return abs(change_in_unit(quantity, size, typical, span)) / ORDER_S
    how = COMPARED[QUANTITIES[quantity].measurement]
    return abs(size) / (how.audible or 2 * how.least_scale)  # a least scale is about half a noticeable difference


def worst(
    notes: ComparedNotes,
    spreads: Iterable[tuple[Spread, SpreadSheet]],
    drifts: Iterable[DriftSheet],
    ladders: Iterable[LadderSheet],
    alike: Iterable[PairSheet],
    outliers: Iterable[OutlierSheet],
) -> list[WorstSheet]:
    """Return the findings, the worst first."""
    found = [row for one in spreads if (row := _of_spread(notes, *one))]
    found += [_of_drift(notes, one) for one in drifts if one.found]
    found += [row for one in ladders if (row := _of_ladder(notes, one))]
    found += [_of_pair(notes, one) for one in alike if one.too_alike]
    found = [*_first(found)[:MOST], *_first(_of_notes(notes, outliers))[:MOST_SINGLE]]
    return _first(found)


def _first(found: Iterable[WorstSheet]) -> list[WorstSheet]:
    return sorted(found, key=lambda row: (row.audible in UNHEARD, -row.weight))


def of_the_queue(notes: ComparedNotes, outlier: np.ndarray) -> str:
    """Return what the queue holds of the notes that lie apart."""
    dots = [notes.dots[row] for row in np.flatnonzero(outlier)]
    accepted = sum(dot.verdict == "accept" for dot in dots)
    doubtful = sum(map(is_doubtful, dots))
    parts = [(doubtful, f"doubtful in the queue, at {100 * DOUBT_BOUND:.0f} % or more"), (accepted, "accepted")]
    parts += [(len(dots) - doubtful - accepted, "clean there too: different, not wrong")]
    return ", ".join(f"{count} {text}" for count, text in parts if count)


def is_doubtful(dot: Dot) -> bool:
    """Tell whether the queue doubts a note: the rule for a clean note, as far as the judge and people go."""
    return dot.verdict != "accept" and (dot.verdict is not None or dot.doubt is None or dot.doubt >= DOUBT_BOUND)


def _heard(times: float) -> str:
    if times < HARDLY:
        return "no"
    return "hardly" if times < 1.0 else f"yes, {times:.1f} times what is noticed"


def _of_spread(notes: ComparedNotes, found: Spread, sheet: SpreadSheet) -> WorstSheet | None:
    """Return a spread's main cause, where it is large and certain enough to act on."""
    told = [s for s in found.shares if s.factor != REST and not s.why_not and s.low >= LEAST_LOW]
    main = max(told, key=lambda s: s.share, default=None)
    if main is None or main.share < ACTED_ON:
        return None
    quantity = sheet.quantity
    size = found.sigma * main.share**0.5
    if size < COMPARED[QUANTITIES[quantity].measurement].least_scale:
        return None
    mine = (notes.table.instrument == sheet.instrument) & (notes.table.articulation == sheet.articulation)
    typical = sheet.typical if sheet.typical is not None else float("nan")
    effect = effect_text(quantity, main, typical, found.span).removeprefix(": ")
    times = audible_times(quantity, size, typical, found.span)
    heard = _heard(audible_times(quantity, _named(main), typical, found.span))
    return WorstSheet(
        f"{PLURAL.get(quantity, quantity)}: {effect} ({100 * main.share:.0f} % of the spread)",
        cell_text(sheet.instrument, sheet.articulation),
        heard,
        "nothing: measured, not heard" if heard == "no" else REMEDIES.get(main.factor, OF_A_DAY),
        sheet.all_notes,
        times * sheet.all_notes * main.share,
        _typical_notes(notes, quantity, main, mine),
    )


def _named(share: Share) -> float:
    """Return the step that the words name, on the compared axis: of a third of the keyboard, or between levels."""
    if share.factor == REGISTER:
        return register_third(share)[2]
    effects = [effect for _, effect in share.effects]
    return max(effects) - min(effects) if len(effects) == 2 else max(effects, key=abs)


def _typical_notes(notes: ComparedNotes, quantity: str, share: Share, mine: np.ndarray) -> tuple[int, ...]:
    """Return a usual note of where the cause shows most, and one of where it does not."""
    values, pitch = measured(notes.table, quantity), notes.table.pitch
    if share.factor == REGISTER:
        there = mine & np.isin(pitch, register_third(share)[1])
        rest = mine & ~there
    else:
        level = max(share.effects, key=lambda one: abs(one[1]))[0]
        labels = notes.factors.get(share.factor)
        if labels is None:  # single pitches in their dynamic
            tone, _, dynamic = level.partition(" ")
            there = mine & (pitch == float(tone)) & (notes.table.dynamic == dynamic)
            rest = mine & (np.abs(pitch - float(tone)) <= 2) & (notes.table.dynamic == dynamic) & ~there
        else:
            there, rest = mine & (labels == level), mine & (labels != level)
    return tuple(row for rows in (there, rest) if (row := _middle(values, rows)) is not None)


def _middle(values: np.ndarray, rows: np.ndarray) -> int | None:
    known = np.flatnonzero(rows & np.isfinite(values))
    if not known.size:
        return None
    return int(known[np.argmin(np.abs(values[known] - np.median(values[known])))])


def _of_drift(notes: ComparedNotes, one: DriftSheet) -> WorstSheet:
    mine = (notes.table.instrument == one.instrument) & (notes.day == one.day)
    ends = (one.points[0].dot, one.points[-1].dot)
    where = f"{cell_text(one.instrument)} on {one.day}"
    what = one.sentence.removeprefix(f"{where}: ").rstrip(".")
    if one.quantity == "doubt":
        do = "a rest is due; hear what came last first"
        return WorstSheet(what, where, "as faults", do, int(mine.sum()), float(mine.sum()), ends)
    typical, size = typical_of(notes, one.quantity, mine), one.change or 0.0
    if COMPARED[QUANTITIES[one.quantity].measurement].log:
        size = float(np.log1p(max(size / typical, -0.99)))
    times = audible_times(one.quantity, size, typical, span_of(notes, one.quantity, mine))
    do = "tune again; hear the first take beside the last" if one.quantity == "tuning" else ""
    do = do or "hear the first take beside the last; a rest or a warm-up"
    # Only the end of the day lies that far off: half of it on average.
    return WorstSheet(what, where, _heard(times), do, int(mine.sum()), times * mine.sum() / 2, ends)


def _of_ladder(notes: ComparedNotes, one: LadderSheet) -> WorstSheet | None:
    wrong = [rung for rung in one.rungs if rung.level != RISES or rung.brightness == FALLS]
    if not wrong:
        return None
    worst_rung = min(wrong, key=lambda rung: rung.level_db)
    names = [pitch_name(rung.pitch_midi) for rung in wrong]
    more = f" and {len(names) - NAMED} more" if len(names) > NAMED else ""
    count = sum(len(rung.lower) + len(rung.upper) for rung in wrong)
    do = f"hear {one.softer} and {one.louder} one after the other; play one of them again"
    if one.apart:
        do = f"compare the gain of the two sessions; then {do}"
    return WorstSheet(
        f"{one.softer} and {one.louder} are no two dynamics at {' '.join(names[:NAMED])}{more}",
        cell_text(one.instrument, one.articulation),
        "yes: no step is heard",
        do,
        count,
        float(count),
        (worst_rung.lower[0], worst_rung.upper[0]),
    )


def _of_pair(notes: ComparedNotes, one: PairSheet) -> WorstSheet:
    first, second = notes.dots[one.first], notes.dots[one.second]
    what = (
        f"{first.take} note {first.note} and {second.take} note {second.note} are too much alike: one may be a copy"
    )
    return WorstSheet(
        what,
        _cell(notes, one.first),
        "yes, as one note twice",
        "hear both; keep one",
        2,
        4.0,
        (one.first, one.second),
    )


def _of_notes(notes: ComparedNotes, outliers: Iterable[OutlierSheet]) -> Iterator[WorstSheet]:
    """Yield single notes that lie apart and are doubtful, each in what is heard most of it."""
    seen: dict[int, WorstSheet] = {}
    every = np.ones(len(notes.dots), dtype=bool)
    for one in outliers:
        dot = notes.dots[one.dot]
        if not is_doubtful(dot):
            continue
        log = COMPARED[QUANTITIES[one.quantity].measurement].log
        size = float(np.log(one.found / one.expected)) if log else one.found - one.expected
        times = audible_times(one.quantity, size, one.expected, span_of(notes, one.quantity, every))
        what, do = f"{dot.take} note {dot.note}: {one.why}", f"hear it in the queue ({queue_text(dot)})"
        row = WorstSheet(what, _cell(notes, one.dot), _heard(times), do, 1, times, (one.dot,))
        if times >= 1.0 and (one.dot not in seen or seen[one.dot].weight < times):
            seen[one.dot] = row
    yield from seen.values()


def _cell(notes: ComparedNotes, row: int) -> str:
    dot = notes.dots[row]
    pitch = "" if dot.pitch_midi is None else pitch_name(dot.pitch_midi)
    return cell_text(dot.instrument, dot.articulation, dot.dynamic, pitch)
