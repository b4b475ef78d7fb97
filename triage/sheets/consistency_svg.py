"""The figures for paper: SVG drawn from the same dicts that Plotly gets, without a script.

In: a figure of ``consistency_figures.py`` (scatter traces in stacked panels, or stacked bars). Out: one <svg> element
as text. Only what those figures use is drawn. A dot that stands for a note carries ``data-note`` (take id:note) and
``data-said``, so that the desk can play it.
"""

from collections.abc import Sequence
from html import escape
from typing import Any

Figure = dict[str, Any]
WIDE, LEFT, RIGHT, TOP, BOTTOM = 720.0, 74.0, 14.0, 44.0, 40.0
PANEL, GAP, BAR = 118.0, 10.0, 17.0
GREY, INK = "#cfc8ba", "#1d1b18"
TICKS = 4
FACE = "Source Sans 3, Noto Sans, sans-serif"


def svg(figure: Figure, title: str) -> str:
    """Return the figure as an <svg> element; ``title`` is read to who cannot see it."""
    bars = [trace for trace in figure["data"] if trace["type"] == "bar"]
    return _bars(bars, title) if bars else _panels(figure, title)


def _panels(figure: Figure, title: str) -> str:
    layout, data = figure["layout"], figure["data"]
    rows = sorted({_row(trace) for trace in data})
    if not rows:  # too few notes for any curve
        return _wrapped("", TOP, title)
    across = _span([x for trace in data for x in trace["x"] if x is not None], 0.02)
    parts = [_legend([t for t in data if t.get("showlegend")])]
    for place, row in enumerate(rows):
        top = TOP + place * (PANEL + GAP)
        mine = [trace for trace in data if _row(trace) == row]
        lines = [s["y0"] for s in layout.get("shapes", []) if s["yref"] == mine[0]["yaxis"]]
        up = _span([y for trace in mine for y in trace["y"] if y is not None] + lines, 0.06)
        frame = _Frame(across, up, top)
        name = layout["yaxis" if row == 1 else f"yaxis{row}"]["title"]["text"]
        parts += [*_grid(frame, name), *(_level(frame, at) for at in lines)]
        parts += [_trace(frame, trace) for trace in mine]
    bottom = TOP + len(rows) * (PANEL + GAP)
    last = layout["xaxis" if rows[-1] == 1 else f"xaxis{rows[-1]}"]
    parts += _x_marks(across, last, bottom)
    return _wrapped("".join(parts), bottom + BOTTOM, title)


class _Frame:
    """One panel: from values to places on the paper."""

    def __init__(self, across: tuple[float, float], up: tuple[float, float], top: float):
        self.across, self.up, self.top = across, up, top

    def x(self, value: float) -> float:
        """Return the place of a value from the left."""
        return _x(self.across, value)

    def y(self, value: float) -> float:
        """Return the place of a value from the top."""
        return self.top + PANEL * (1.0 - (value - self.up[0]) / (self.up[1] - self.up[0]))


def _x(across: tuple[float, float], value: float) -> float:
    return LEFT + (WIDE - LEFT - RIGHT) * (value - across[0]) / (across[1] - across[0])


def _row(trace: Figure) -> int:
    return int(trace["yaxis"][1:] or 1)


def _span(values: Sequence[float], margin: float) -> tuple[float, float]:
    if not values:
        return 0.0, 1.0
    low, high = min(values), max(values)
    room = (high - low) * margin or abs(low) * margin or 1.0
    return low - room, high + room


def _grid(frame: _Frame, name: str) -> list[str]:
    low, high = frame.up
    right, middle = WIDE - RIGHT, frame.top + PANEL / 2
    parts = [
        f'<text transform="rotate(-90 14 {middle:.1f})" x="14" y="{middle:.1f}" text-anchor="middle">'
        f"{escape(name)}</text>"
    ]
    for value in _ticks(low, high):
        y = frame.y(value)
        parts.append(f'<path d="M{LEFT} {y:.1f}H{right}" stroke="{GREY}" stroke-width=".6"/>')
        parts.append(f'<text x="{LEFT - 6}" y="{y + 3.5:.1f}" text-anchor="end">{_short(value)}</text>')
    return parts


def _ticks(low: float, high: float) -> list[float]:
    """Return a few round numbers between two values."""
    raw = (high - low) / TICKS
    size = 10.0 ** len(str(int(raw))) / 10 if raw >= 1 else 1.0
    while size > raw:
        size /= 10
    step = next(size * k for k in (1, 2, 5, 10) if size * k >= raw)
    first = int(low // step) + 1
    return [k * step for k in range(first, first + 2 * TICKS) if k * step <= high]


def _short(value: float) -> str:
    return f"{value:.4g}" if value else "0"


def _level(frame: _Frame, at: float) -> str:
    return f'<path d="M{LEFT} {frame.y(at):.1f}H{WIDE - RIGHT}" stroke="{INK}" stroke-width=".8"/>'


def _trace(frame: _Frame, trace: Figure) -> str:
    points = [(x, y) for x, y in zip(trace["x"], trace["y"], strict=True) if x is not None and y is not None]
    if not points:
        return ""
    path = "M" + "L".join(f"{frame.x(x):.1f} {frame.y(y):.1f}" for x, y in points)
    if trace.get("fill"):
        return f'<path d="{path}Z" fill="{trace["fillcolor"]}"/>'
    text = ""
    if "lines" in trace["mode"]:
        line = trace["line"]
        text += f'<path d="{path}" fill="none" stroke="{line["color"]}" stroke-width="{line["width"]}"/>'
    if "markers" in trace["mode"]:
        text += "".join(
            _told(_mark(frame.x(trace["x"][i]), frame.y(trace["y"][i]), trace["marker"], i), trace, i)
            for i in range(len(trace["x"]))
            if None not in (trace["x"][i], trace["y"][i])
        )
    return text


def _told(mark: str, trace: Figure, i: int) -> str:
    """Return a dot that says which note it is and what it shows, for a page that plays it."""
    keys = trace.get("customdata")
    if not keys or not keys[i]:
        return mark
    take_id, _, note = keys[i]
    said = f"{(trace.get('text') or keys)[i]}: {trace['y'][i]:.4g}"
    tag, rest = mark.split(" ", 1)
    return f'{tag} data-note="{take_id}:{note}" data-said="{escape(said)}" {rest}'


def _mark(x: float, y: float, marker: Figure, i: int) -> str:
    edge, symbol, r = marker.get("line"), marker.get("symbol", "circle"), marker["size"] * 0.36
    fill = marker["color"] if isinstance(marker["color"], str) else marker["color"][i]
    rim = ""
    if edge:
        colour = edge["color"] if isinstance(edge["color"], str) else edge["color"][i]
        rim = f' stroke="{colour}" stroke-width="{0.7 * edge["width"]:.1f}"'
    if symbol == "square":
        return f'<rect x="{x - r:.1f}" y="{y - r:.1f}" width="{2 * r:.1f}" height="{2 * r:.1f}" fill="{fill}"{rim}/>'
    if symbol in ("diamond", "cross", "star"):
        q = 1.3 * r
        d = f"M{x:.1f} {y - q:.1f}L{x + q:.1f} {y:.1f}L{x:.1f} {y + q:.1f}L{x - q:.1f} {y:.1f}Z"
        return f'<path d="{d}" fill="{fill}"{rim}/>'
    if symbol.startswith("triangle"):
        up = -1 if symbol.endswith("up") else 1
        d = f"M{x:.1f} {y + 1.2 * up * r:.1f}L{x + 1.2 * r:.1f} {y - up * r:.1f}L{x - 1.2 * r:.1f} {y - up * r:.1f}Z"
        return f'<path d="{d}" fill="{fill}"{rim}/>'
    return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{r:.1f}" fill="{fill}"{rim}/>'


def _x_marks(across: tuple[float, float], axis: Figure, bottom: float) -> list[str]:
    values = axis.get("tickvals") or _ticks(*across)
    names = axis.get("ticktext") or [_short(v) for v in values]
    parts, last = [], -1e9
    for value, name in zip(values, names, strict=True):
        x = _x(across, value)
        if across[0] <= value <= across[1] and x - last > 7.0 * len(name):  # names must not run into one another
            parts.append(f'<text x="{x:.1f}" y="{bottom + 6:.1f}" text-anchor="middle">{escape(name)}</text>')
            last = x
    if "title" in axis:
        middle, name = (LEFT + WIDE - RIGHT) / 2, escape(axis["title"]["text"])
        parts.append(f'<text x="{middle}" y="{bottom + 24:.1f}" text-anchor="middle">{name}</text>')
    return parts


def _bars(bars: Sequence[Figure], title: str) -> str:
    names = bars[0]["y"]
    left = 190.0
    parts, width = [_legend(bars)], WIDE - left - RIGHT
    for place, name in enumerate(reversed(names)):
        index, y = len(names) - 1 - place, TOP + place * (BAR + 6)
        parts.append(f'<text x="{left - 6}" y="{y + BAR - 4:.1f}" text-anchor="end">{escape(name)}</text>')
        at = left
        for trace in bars:
            size = width * trace["x"][index] / 100.0
            parts.append(
                f'<rect x="{at:.1f}" y="{y:.1f}" width="{size:.1f}" height="{BAR}" '
                f'fill="{trace["marker"]["color"]}" stroke="#fff" stroke-width=".5"/>'
            )
            if size > 30:
                pale = trace["marker"]["color"] in ("#cfc8ba", "#e69f00", "#56b4e9")
                parts.append(
                    f'<text x="{at + size / 2:.1f}" y="{y + BAR - 4:.1f}" text-anchor="middle" '
                    f'fill="{INK if pale else "#fff"}">{trace["x"][index]:.0f} %</text>'
                )
            at += size
    return _wrapped("".join(parts), TOP + len(names) * (BAR + 6) + 12, title)


def _legend(traces: Sequence[Figure]) -> str:
    parts, x, y = [], LEFT, 14.0
    for trace in traces:
        name = trace["name"]
        size = 24 + 7.2 * len(name)
        if x + size > WIDE:
            x, y = LEFT, y + 16.0
        mark = {**trace["marker"], "size": 12, "line": None}
        mark["color"] = mark["color"] if isinstance(mark["color"], str) else INK
        parts.append(_mark(x + 6, y - 4, mark, 0) + f'<text x="{x + 16:.0f}" y="{y:.0f}">{escape(name)}</text>')
        x += size
    return "".join(parts)


def _wrapped(inside: str, height: float, title: str) -> str:
    size = f'viewBox="0 0 {WIDE:.0f} {height:.0f}" role="img" aria-label="{escape(title)}"'
    return f'<svg {size} font-size="11" font-family="{FACE}" fill="{INK}">{inside}</svg>'
