"""The figures of a consistency report, as plain dicts in Plotly's own form: {"data": [...], "layout": {...}}.

Every point that is or stands for a note carries ``customdata`` = [take id, take, note number], so that a click can
play it. The desk draws them from JSON, the HTML report from the same dicts, ``consistency_svg.py`` draws them for
paper.
"""

from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby
from typing import Any

from triage.judge.dynamics import DYNAMICS
from triage.sheets.consistency_values import ConsistencyReport, CurveSheet, Dot, DriftSheet, LadderSheet, SpreadSheet
from triage.sheets.consistency_words import cell_words, clock_words
from triage.sheets.pitches import pitch_name

Figure = dict[str, Any]
# Eight tones that stay apart for the colour-blind (Okabe and Ito 2008), dark enough on paper; softest dynamic first.
TONES = ("#0072b2", "#56b4e9", "#009e73", "#e69f00", "#d55e00", "#cc79a7", "#8a4a12", "#1d1b18")
SHAPES = ("circle", "square", "diamond", "triangle-up", "cross", "triangle-down", "star", "x")
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
INK, RULE, STRAY = "#1d1b18", "#e5dfd2", "#b3001b"
TITLES = {
    "length": "length, s",
    "level": "level, dBFS",
    "brightness": "brightness, Hz",
    "attack": "attack, s",
    "tuning": "tuning, cents",
    "doubt": "fault rate (mean doubt)",
}
PANEL_PX = 190


def figures(report: ConsistencyReport) -> dict[str, Figure]:
    """Return every figure under a name that says what it shows: curves, ladder, shares, drift, repetitions."""
    named: dict[str, Figure] = {}
    for cell, group in _by_cell(report.curves):
        named[f"curves: {cell}"] = _curves(report, list(group))
    for cell, group in _by_cell(report.ladders):
        named[f"ladder: {cell}"] = _ladders(report, list(group))
    for instrument, group in groupby(report.spreads, lambda one: one.instrument):
        named[f"shares: {cell_words(instrument)}"] = _shares(list(group))
    for (instrument, day), drifts in groupby(report.drifts, lambda one: (one.instrument, one.day)):
        told = [one for one in drifts if len(one.points) > 1]
        if told:
            named[f"drift: {cell_words(instrument)} {day}"] = _drifts(report, told)
    if report.pairs:
        named["repetitions: how alike"] = _pairs(report)
    return named


def note_key(dot: Dot) -> list[int | str]:
    """Return what a point carries so that a click plays its note."""
    return [dot.take_id, dot.take, dot.note]


def _by_cell(sheets: Iterable[Any]) -> Iterator[tuple[str, Iterator[Any]]]:
    yield from groupby(sheets, lambda one: cell_words(one.instrument, one.articulation))


def _curves(report: ConsistencyReport, group: Sequence[CurveSheet]) -> Figure:
    """Return one panel a quantity over a common keyboard, one tone a dynamic."""
    names = [q for q in report.quantities if any(c.quantity == q for c in group)]
    parts = sorted(dict.fromkeys((c.dynamic, c.mic) for c in group), key=lambda one: (_softness(one[0]), one))
    mics = {mic for _, mic in parts}
    data: list[Figure] = []
    for row, quantity in enumerate(names, 1):
        for number, part in enumerate(parts):
            for curve in (c for c in group if c.quantity == quantity and (c.dynamic, c.mic) == part):
                label = cell_words(part[0], part[1] if len(mics) > 1 else "")
                data += _curve(report, curve, (row, number, label))
    layout = _stacked([TITLES[q] for q in names], _keys({p for c in group for p in c.pitches}))
    return {"data": data, "layout": layout}


def _softness(dynamic: str) -> int:
    return DYNAMICS.index(dynamic) if dynamic in DYNAMICS else len(DYNAMICS)


def _curve(report: ConsistencyReport, curve: CurveSheet, place: tuple[int, int, str]) -> list[Figure]:
    row, number, label = place
    tone, shape = TONES[number % len(TONES)], SHAPES[number % len(SHAPES)]
    axes = _axes(row)
    common = {**axes, "legendgroup": label, "name": label}
    known = [(p, lo, hi) for p, lo, hi in zip(curve.pitches, curve.low, curve.high, strict=True) if lo is not None]
    band = {
        "type": "scatter",
        "mode": "lines",
        "x": [p for p, *_ in known] + [p for p, *_ in known[::-1]],
        "y": [hi for *_, hi in known] + [lo for _, lo, _ in known[::-1]],
        "fill": "toself",
        "line": {"width": 0},
        "fillcolor": _pale(tone),
        "hoverinfo": "skip",
        "showlegend": False,
        **common,
    }
    line = {
        "type": "scatter",
        "mode": "lines",
        "x": list(curve.pitches),
        "y": list(curve.middle),
        "line": {"color": tone, "width": 1.4},
        "hoverinfo": "skip",
        "showlegend": False,
        **common,
    }
    which = report.quantities.index(curve.quantity)
    stray = set(curve.strays)
    usual = [d for d in curve.dots if d not in stray]
    dots = _dots(report, usual, which, {"color": tone, "symbol": shape, "size": 6})
    odd = _dots(
        report, curve.strays, which, {"color": tone, "symbol": shape, "size": 9, "line": {"color": STRAY, "width": 2}}
    )
    return [band, line, {**dots, "showlegend": row == 1, **common}, {**odd, "showlegend": False, **common}]


def _dots(report: ConsistencyReport, rows: Sequence[int], which: int, marker: Figure) -> Figure:
    dots = [report.dots[row] for row in rows]
    return {
        "type": "scatter",
        "mode": "markers",
        "x": [d.pitch_midi for d in dots],
        "y": [d.values[which] for d in dots],
        "customdata": [note_key(d) for d in dots],
        "text": [_said(d) for d in dots],
        "hovertemplate": "%{text}<br>%{y:.4g}<extra></extra>",
        "marker": marker,
    }


def _said(dot: Dot) -> str:
    pitch = "?" if dot.pitch_midi is None else pitch_name(dot.pitch_midi)
    return f"{dot.take} note {dot.note}, {cell_words(pitch, dot.dynamic)}"


def _ladders(report: ConsistencyReport, group: Sequence[LadderSheet]) -> Figure:
    """Return the steps in level above those in brightness, over the keyboard; what is no step stands out."""
    data: list[Figure] = []
    for number, one in enumerate(group):
        tone, shape = TONES[number % len(TONES)], SHAPES[number % len(SHAPES)]
        label = f"{one.softer} to {one.louder}"
        for row, (state, value) in enumerate((("level", "level_db"), ("brightness", "brighter")), 1):
            edge = [INK if getattr(r, state) == "rises" else STRAY for r in one.rungs]
            firsts = [report.dots[r.upper[0]] for r in one.rungs]
            data.append(
                {
                    "type": "scatter",
                    "mode": "lines+markers",
                    "x": [r.pitch_midi for r in one.rungs],
                    "y": [getattr(r, value) for r in one.rungs],
                    "customdata": [note_key(d) for d in firsts],
                    "text": [f"{pitch_name(r.pitch_midi)}: {getattr(r, state)}" for r in one.rungs],
                    "hovertemplate": "%{text}<br>%{y:.3g}<extra></extra>",
                    "line": {"color": tone, "width": 1.2},
                    "marker": {"color": tone, "symbol": shape, "size": 8, "line": {"color": edge, "width": 1.5}},
                    "name": label,
                    "legendgroup": label,
                    "showlegend": row == 1,
                    **_axes(row),
                }
            )
    pitches = {r.pitch_midi for one in group for r in one.rungs}
    layout = _stacked(["louder by, dB", "brighter, times"], _keys(pitches))
    layout["shapes"] = [_level_line(1, 0.0), _level_line(2, 1.0)]
    return {"data": data, "layout": layout}


def _shares(group: Sequence[SpreadSheet]) -> Figure:
    """Return one bar an articulation and quantity, parted by factor."""
    told = [one for one in group if one.shares][::-1]
    names = [cell_words(one.articulation, one.quantity) for one in told]
    factors = [f for f in FACTOR_TONES if any(s.factor == f and s.share for one in told for s in one.shares)]
    data = []
    for factor in factors:
        mine = [next((s for s in one.shares if s.factor == factor), None) for one in told]
        text = [
            ""
            if s is None or s.share is None
            else f"{100 * s.share:.0f} % ({100 * (s.low or 0):.0f} to {100 * (s.high or 0):.0f})"
            for s in mine
        ]
        data.append(
            {
                "type": "bar",
                "orientation": "h",
                "y": names,
                "x": [100 * (s.share or 0) if s else 0 for s in mine],
                "name": factor,
                "marker": {"color": FACTOR_TONES[factor]},
                "customdata": [None] * len(told),
                "text": text,
                "textposition": "none",
                "hovertemplate": f"{factor}: %{{text}}<extra></extra>",
            }
        )
    layout = _base(110 + 26 * len(told))
    layout |= {"barmode": "stack", "bargap": 0.25, "margin": {"l": 190, "r": 20, "t": 50, "b": 40}}
    layout["xaxis"] = {"title": _title("share of the spread, %"), "range": [0, 100], "gridcolor": RULE}
    layout["yaxis"] = {"automargin": True}
    return {"data": data, "layout": layout}


def _drifts(report: ConsistencyReport, group: Sequence[DriftSheet]) -> Figure:
    """Return one panel a quantity against the clock, a dot a take, with the line of the trend where one stands."""
    data: list[Figure] = []
    for row, one in enumerate(group, 1):
        dots = [report.dots[p.dot] for p in one.points]
        data.append(
            {
                "type": "scatter",
                "mode": "markers",
                "x": [p.hour for p in one.points],
                "y": [p.value for p in one.points],
                "customdata": [note_key(d) for d in dots],
                "text": [d.take for d in dots],
                "hovertemplate": "%{text}<br>%{y:.4g}<extra></extra>",
                "marker": {"color": TONES[0], "size": 7},
                "name": one.quantity,
                "showlegend": False,
                **_axes(row),
            }
        )
        if one.found and one.change is not None:
            middle = sorted(p.value for p in one.points)[len(one.points) // 2]
            ends = [one.points[0].hour, one.points[-1].hour]
            data.append(
                {
                    "type": "scatter",
                    "mode": "lines",
                    "x": ends,
                    "y": [middle - one.change / 2, middle + one.change / 2],
                    "line": {"color": STRAY, "width": 2},
                    "hoverinfo": "skip",
                    "showlegend": False,
                    **_axes(row),
                }
            )
    clock = all(one.clock for one in group)
    layout = _stacked([TITLES[one.quantity] for one in group], _hours(group) if clock else {})
    layout[_axis_name("x", len(group))]["title"] = _title("time on the clock" if clock else "number of the take")
    return {"data": data, "layout": layout}


def _pairs(report: ConsistencyReport) -> Figure:
    """Return how alike the repetitions of each cell are, over the keyboard; a click plays the later note."""
    shown = [(pair, report.dots[pair.first], report.dots[pair.second]) for pair in report.pairs]
    colour = [STRAY if pair.too_alike else TONES[0] for pair, *_ in shown]
    data = [
        {
            "type": "scatter",
            "mode": "markers",
            "x": [a.pitch_midi for _, a, _ in shown],
            "y": [pair.alike for pair, *_ in shown],
            "customdata": [note_key(b) for *_, b in shown],
            "text": [f"{_said(a)} and {_said(b)}" for _, a, b in shown],
            "hovertemplate": "%{text}<br>%{y:.2f} of the usual difference<extra></extra>",
            "marker": {"color": colour, "size": 6},
            "name": "pairs of one cell",
            "showlegend": False,
            **_axes(1),
        }
    ]
    pitches = {a.pitch_midi for _, a, _ in shown if a.pitch_midi is not None}
    layout = _stacked(["difference, 1 is usual"], _keys(pitches))
    layout["height"] = 300
    return {"data": data, "layout": layout}


def _base(height: int) -> Figure:
    return {
        "height": height,
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "font": {"family": "Source Sans 3, Noto Sans, sans-serif", "size": 12, "color": INK},
        "legend": {"orientation": "h", "x": 0, "y": 1.0, "yanchor": "bottom", "traceorder": "normal"},
        "margin": {"l": 70, "r": 20, "t": 40, "b": 50},
        "hovermode": "closest",
        "hoverlabel": {"align": "left"},
    }


def _stacked(titles: Sequence[str], ticks: Figure) -> Figure:
    """Return a layout of panels above one another that share their x axis."""
    n = len(titles)
    layout = _base(90 + PANEL_PX * n)
    gap = 0.04 if n > 1 else 0.0
    size = (1.0 - gap * (n - 1)) / n
    for row, title in enumerate(titles, 1):
        top = 1.0 - (row - 1) * (size + gap)
        layout[_axis_name("y", row)] = {
            "title": _title(title),
            "domain": [max(0.0, top - size), top],
            "gridcolor": RULE,
            "zeroline": False,
            "anchor": _axes(row)["xaxis"],
        }
        layout[_axis_name("x", row)] = {
            **ticks,
            "anchor": _axes(row)["yaxis"],
            "gridcolor": RULE,
            "zeroline": False,
            "showticklabels": row == n,
            **({"matches": "x"} if row > 1 else {}),
        }
    return layout


def _title(text: str) -> Figure:
    return {"text": text, "font": {"size": 12}}


def _axes(row: int) -> dict[str, str]:
    return {"xaxis": "x" if row == 1 else f"x{row}", "yaxis": "y" if row == 1 else f"y{row}"}


def _axis_name(letter: str, row: int) -> str:
    return f"{letter}axis" if row == 1 else f"{letter}axis{row}"


def _keys(pitches: set[int]) -> Figure:
    """Return ticks at the Cs and As of the keyboard, or at every pitch where there are few."""
    if not pitches:
        return {}
    low, high = min(pitches), max(pitches)
    marks = [p for p in range(low, high + 1) if high - low <= 15 or p % 12 in (0, 4, 9)]
    return {"tickvals": marks, "ticktext": [pitch_name(p) for p in marks], "range": [low - 0.7, high + 0.7]}


def _hours(group: Sequence[DriftSheet]) -> Figure:
    low = min(p.hour for one in group for p in one.points)
    high = max(p.hour for one in group for p in one.points)
    step = next((s for s in (1 / 12, 1 / 6, 0.25, 0.5, 1.0) if (high - low) / s <= 8), 2.0)
    marks = [k * step for k in range(int(low / step), int(high / step) + 2)]
    return {"tickvals": marks, "ticktext": [clock_words(m) for m in marks]}


def _level_line(row: int, at: float) -> Figure:
    axes = _axes(row)
    return {
        "type": "line",
        "xref": "paper",
        "x0": 0,
        "x1": 1,
        "yref": axes["yaxis"],
        "y0": at,
        "y1": at,
        "line": {"color": INK, "width": 1},
    }


def _pale(tone: str) -> str:
    red, green, blue = (int(tone[i : i + 2], 16) for i in (1, 3, 5))
    return f"rgba({red},{green},{blue},0.14)"
