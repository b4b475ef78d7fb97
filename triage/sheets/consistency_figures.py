"""The figures of a consistency report: curves, steps between dynamics, shares, drift, repetitions.

In: a ``ConsistencyReport``. Out: figures by name, for ``figure.py`` to draw. Every point is or stands for a note.
"""

from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby
from typing import Any

from triage.domain.pitch import pitch_name
from triage.judge.dynamics import DYNAMICS
from triage.sheets.consistency_text import cell_text, clock_text
from triage.sheets.consistency_values import ConsistencyReport, CurveSheet, Dot, DriftSheet, LadderSheet, SpreadSheet
from triage.sheets.figure import HIGHLIGHT, TONES, Bars, Figure, Panels, Point, Series

# One per dynamic, the softest first, like TONES.
SHAPES = ("circle", "square", "diamond", "triangle-up", "diamond", "triangle-down", "diamond", "circle")
FACTOR_TONES = {
    "register": "#8a4a12",
    "pitch": "#d55e00",
    "day": "#0072b2",
    "set-up": "#009e73",
    "microphone": "#cc79a7",
    "session": "#56b4e9",
    "take": "#e69f00",
    "repetition": "#5c564d",
    "rest": "#cfc8ba",
}
TITLES = {
    "length": "length, s",
    "level": "level, dBFS",
    "brightness": "brightness, Hz",
    "attack": "attack, s",
    "tuning": "tuning, cents",
    "doubt": "fault rate (mean doubt)",
}
Ticks = tuple[tuple[float, str], ...]


def figures(report: ConsistencyReport) -> dict[str, Figure]:
    """Return every figure under a name that says what it shows: curves, ladder, shares, drift, repetitions."""
    return dict(each_figure(report))


def each_figure(report: ConsistencyReport) -> Iterator[tuple[str, Figure]]:
    """Yield the same one after another: all at once hold five points for every note."""
    for cell, group in _by_cell(report.curves):
        yield f"curves: {cell}", _curves(report, list(group))
    for cell, group in _by_cell(report.ladders):
        yield f"ladder: {cell}", _ladders(report, list(group))
    for instrument, group in groupby(report.spreads, lambda one: one.instrument):
        yield f"shares: {cell_text(instrument)}", _shares(list(group))
    for (instrument, day), drifts in groupby(report.drifts, lambda one: (one.instrument, one.day)):
        if known := [one for one in drifts if len(one.points) > 1]:
            yield f"drift: {cell_text(instrument)} {day}", _drifts(report, known)
    if report.pairs:
        yield "repetitions: how alike", _pairs(report)


def _by_cell(sheets: Iterable[Any]) -> Iterator[tuple[str, Iterator[Any]]]:
    yield from groupby(sheets, lambda one: cell_text(one.instrument, one.articulation))


def _curves(report: ConsistencyReport, group: Sequence[CurveSheet]) -> Figure:
    """Return one panel per quantity over a common keyboard, one colour per dynamic."""
    names = [q for q in report.quantities if any(c.quantity == q for c in group)]
    parts = sorted(dict.fromkeys((c.dynamic, c.mic) for c in group), key=lambda one: (_softness(one[0]), one))
    several = len({mic for _, mic in parts}) > 1
    series = []
    for panel, quantity in enumerate(names):
        for number, part in enumerate(parts):
            label = cell_text(part[0], part[1] if several else "")
            found = (c for c in group if c.quantity == quantity and (c.dynamic, c.mic) == part)
            series += [_curve(report, curve, panel, number, label) for curve in found]
    return Panels(tuple(TITLES[q] for q in names), tuple(series), _keys({p for c in group for p in c.pitches}))


def _softness(dynamic: str) -> int:
    return DYNAMICS.index(dynamic) if dynamic in DYNAMICS else len(DYNAMICS)


def _curve(report: ConsistencyReport, curve: CurveSheet, panel: int, number: int, label: str) -> Series:
    which, outliers = report.quantities.index(curve.quantity), set(curve.strays)
    values = ((row, report.dots[row].pitch_midi, report.dots[row].values[which]) for row in curve.dots)
    return Series(
        panel,
        *_style(number),
        label,
        panel == 0,
        tuple(
            _point(report.dots[row], x, y, _note_text(report.dots[row]), row in outliers)
            for row, x, y in values
            if x is not None and y is not None
        ),
        tuple((x, y) for x, y in zip(curve.pitches, curve.middle, strict=True) if y is not None),
        tuple(
            (x, low, high)
            for x, low, high in zip(curve.pitches, curve.low, curve.high, strict=True)
            if low is not None and high is not None
        ),
    )


def _style(number: int) -> tuple[str, str]:
    """Return the tone and the shape of the points of one dynamic."""
    return TONES[number % len(TONES)], SHAPES[number % len(SHAPES)]


def _point(dot: Dot, x: float, y: float, text: str, stands_out: bool = False) -> Point:
    return Point(x, y, f"{dot.take_id}:{dot.note}", text, stands_out)


def _note_text(dot: Dot) -> str:
    pitch = "?" if dot.pitch_midi is None else pitch_name(dot.pitch_midi)
    return f"{dot.take} note {dot.note}, {cell_text(pitch, dot.dynamic)}"


def _ladders(report: ConsistencyReport, group: Sequence[LadderSheet]) -> Figure:
    """Return the steps in level above those in brightness, over the keyboard; what is not a step stands out."""
    series = []
    for number, one in enumerate(group):
        for panel, (state, value) in enumerate((("level", "level_db"), ("brightness", "brighter"))):
            rungs = [(r, report.dots[r.upper[0]], getattr(r, state), getattr(r, value)) for r in one.rungs]
            points = (
                _point(dot, r.pitch_midi, y, f"{_note_text(dot)}: {step}", step != "rises")
                for r, dot, step, y in rungs
            )
            line = tuple((r.pitch_midi, y) for r, _, _, y in rungs)
            label = f"{one.softer} to {one.louder}"
            series.append(Series(panel, *_style(number), label, panel == 0, tuple(points), line))
    pitches = {r.pitch_midi for one in group for r in one.rungs}
    return Panels(("louder by, dB", "brighter, times"), tuple(series), _keys(pitches), levels=(0.0, 1.0))


def _shares(group: Sequence[SpreadSheet]) -> Figure:
    """Return one bar per articulation and quantity, divided by factor."""
    known = [one for one in group if one.shares]
    shares = [{s.factor: s.share for s in one.shares if s.share} for one in known]
    return Bars(
        tuple(cell_text(one.articulation, one.quantity) for one in known),
        tuple(
            (factor, tone, tuple(100 * (own.get(factor) or 0.0) for own in shares))
            for factor, tone in FACTOR_TONES.items()
            if any(factor in own for own in shares)
        ),
    )


def _drifts(report: ConsistencyReport, group: Sequence[DriftSheet]) -> Figure:
    """Return one panel per quantity against the clock, one point per take, with the line of a significant trend."""
    series = []
    for panel, one in enumerate(group):
        dots = [report.dots[p.dot] for p in one.points]
        points = (_point(dot, p.hour, p.value, dot.take) for p, dot in zip(one.points, dots, strict=True))
        series.append(Series(panel, TONES[0], name=one.quantity, points=tuple(points)))
        if one.found and one.change is not None:
            middle, half = sorted(p.value for p in one.points)[len(one.points) // 2], one.change / 2
            ends = ((one.points[0].hour, middle - half), (one.points[-1].hour, middle + half))
            series.append(Series(panel, HIGHLIGHT, name=one.quantity, line=ends))
    clock = all(one.clock for one in group)
    titles = tuple(TITLES[one.quantity] for one in group)
    x_title = "time on the clock" if clock else "number of the take"
    return Panels(titles, tuple(series), _hours(group) if clock else (), x_title)


def _pairs(report: ConsistencyReport) -> Figure:
    """Return how alike the repetitions of each cell are, over the keyboard; the later note is the one to play."""
    shown = [(pair, report.dots[pair.first], report.dots[pair.second]) for pair in report.pairs]
    points = tuple(
        _point(b, a.pitch_midi, pair.alike, f"{_note_text(a)} and {_note_text(b)}", pair.too_alike)
        for pair, a, b in shown
        if a.pitch_midi is not None
    )
    pitches = {a.pitch_midi for _, a, _ in shown if a.pitch_midi is not None}
    return Panels(("difference, 1 is usual",), (Series(0, TONES[0], points=points),), _keys(pitches))


def _keys(pitches: set[int]) -> Ticks:
    """Return ticks at the Cs, Es and As of the keyboard, or at every pitch where there are few."""
    if not pitches:
        return ()
    low, high = min(pitches), max(pitches)
    return tuple((p, pitch_name(p)) for p in range(low, high + 1) if high - low <= 15 or p % 12 in (0, 4, 9))


def _hours(group: Sequence[DriftSheet]) -> Ticks:
    hours = [p.hour for one in group for p in one.points]
    low, high = min(hours), max(hours)
    step = next((s for s in (1 / 12, 1 / 6, 0.25, 0.5, 1.0) if (high - low) / s <= 8), 2.0)
    return tuple((k * step, clock_text(k * step)) for k in range(int(low / step), int(high / step) + 2))
