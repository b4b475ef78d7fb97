"""Figures as SVG, for paper, for pages without scripts and for the desk alike.

In: ``Panels`` (series of points over a common x axis, one panel above the other) or ``Bars`` (stacked shares). Out:
one <svg> element as text. A point that stands for a note carries ``data-note`` (take id:note) and ``data-label``, so
that a page can play it; a series and its entry in the legend have one name, so that a page can hide it.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from html import escape
from math import ceil, floor, log10

WIDE, LEFT, RIGHT, TOP, BOTTOM = 720.0, 74.0, 14.0, 44.0, 40.0
GAP, BAR, NAMES = 10.0, 17.0, 190.0
# Eight tones that stay apart for the colour-blind (Okabe and Ito 2008), dark enough on paper.
TONES = ("#0072b2", "#56b4e9", "#009e73", "#e69f00", "#d55e00", "#cc79a7", "#8a4a12", "#1d1b18")
GREY, INK, HIGHLIGHT = "#cfc8ba", "#1d1b18", "#b3001b"
PALE = (GREY, "#e69f00", "#56b4e9")  # tones that take dark letters
TICKS = 4
FACE = "Source Sans 3, Noto Sans, sans-serif"
RADIUS, RADIUS_OUT = 2.2, 3.2
MOST_POINTS = 1200  # of a figure; some 200 bytes each
# Distances from the centre in radii; what is not here is a circle.
CORNERS = {
    "square": ((-1, -1), (1, -1), (1, 1), (-1, 1)),
    "diamond": ((0, -1.3), (1.3, 0), (0, 1.3), (-1.3, 0)),
    "triangle-up": ((0, -1.2), (1.2, 1), (-1.2, 1)),
    "triangle-down": ((0, 1.2), (1.2, -1), (-1.2, -1)),
}


@dataclass(frozen=True)
class Point:
    """A position in a panel, the note that it stands for, its label, and whether it stands out."""

    x: float
    y: float
    note: str  # take id:number
    text: str
    stands_out: bool = False


@dataclass(frozen=True)
class Series:
    """Points, a line and a band (x, low, high) of one tone in one panel; named ones are in the legend."""

    panel: int
    tone: str
    shape: str = "circle"
    name: str = ""
    in_legend: bool = False
    points: tuple[Point, ...] = ()
    line: tuple[tuple[float, float], ...] = ()
    band: tuple[tuple[float, float, float], ...] = ()
    name_at_end: bool = False  # of the line

    def places(self) -> Iterator[tuple[float, float]]:
        """Yield everything that must lie inside the panel."""
        yield from ((point.x, point.y) for point in self.points)
        yield from self.line
        yield from ((x, y) for x, *ends in self.band for y in ends)


@dataclass(frozen=True)
class Panels:
    """Panels with a common x axis: the title and, if any, the reference level of each; ticks are (x, name)."""

    titles: tuple[str, ...]
    series: tuple[Series, ...]
    ticks: tuple[tuple[float, str], ...] = ()
    x_title: str = ""
    levels: tuple[float | None, ...] = ()
    height: float = 118.0  # of a panel


@dataclass(frozen=True)
class Bars:
    """One bar a name, stacked from parts: (name, tone, percent of each bar)."""

    names: tuple[str, ...]
    parts: tuple[tuple[str, str, tuple[float, ...]], ...]


Figure = Panels | Bars


def thinned(figure: Figure, most: int = MOST_POINTS) -> tuple[Figure, int]:
    """Return the figure with ``most`` points, or more where so many stand out, and how many are left out.

    Bands, lines and bars stay as they are: they were made from all notes.
    """
    if isinstance(figure, Bars):
        return figure, 0
    points = [point for one in figure.series for point in one.points]
    usual = [point for point in points if not point.stands_out]
    if len(points) <= most:
        return figure, 0
    step = max(1, ceil(len(usual) / max(1, most - (len(points) - len(usual)))))
    kept = set(usual[::step])
    series = tuple(
        replace(one, points=tuple(p for p in one.points if p.stands_out or p in kept)) for one in figure.series
    )
    return replace(figure, series=series), len(points) - sum(len(one.points) for one in series)


def svg(figure: Figure, title: str) -> str:
    """Return the figure as an <svg> element; ``title`` is for screen readers."""
    inside, height = _bars(figure) if isinstance(figure, Bars) else _panels(figure)
    size = f'viewBox="0 0 {WIDE:.0f} {height:.0f}" role="img" aria-label="{escape(title)}"'
    return f'<svg {size} font-size="11" font-family="{FACE}" fill="{INK}">{inside}</svg>'


@dataclass(frozen=True)
class _Scale:
    """From values to positions on the page."""

    low: float
    high: float
    start: float
    end: float

    def __call__(self, value: float) -> float:
        return self.start + (self.end - self.start) * (value - self.low) / (self.high - self.low)


def _scale(values: Sequence[float], margin: float, start: float, end: float) -> _Scale:
    if not values:
        return _Scale(0.0, 1.0, start, end)
    low, high = min(values), max(values)
    room = (high - low) * margin or abs(low) * margin or 1.0
    return _Scale(low - room, high + room, start, end)


def _panels(figure: Panels) -> tuple[str, float]:
    panels = sorted({one.panel for one in figure.series if any(one.places())})
    if not panels:  # too few notes for any curve
        return "", TOP
    x_of = _scale([x for one in figure.series for x, _ in one.places()], 0.02, LEFT, WIDE - RIGHT)
    parts = [_legend([(one.name, one.shape, one.tone) for one in figure.series if one.in_legend])]
    for place, panel in enumerate(panels):
        top = TOP + place * (figure.height + GAP)
        mine = [one for one in figure.series if one.panel == panel]
        level = figure.levels[panel] if figure.levels else None
        known = [y for one in mine for _, y in one.places()] + ([] if level is None else [level])
        y_of = _scale(known, 0.06, top + figure.height, top)
        parts += _grid(y_of, figure.titles[panel], level)
        parts += [_series(one, x_of, y_of) for one in mine]
    bottom = TOP + len(panels) * (figure.height + GAP)
    parts += _x_axis(figure, x_of, bottom)
    return "".join(parts), bottom + BOTTOM


def _grid(y_of: _Scale, title: str, level: float | None) -> Iterator[str]:
    middle, right = (y_of.start + y_of.end) / 2, WIDE - RIGHT
    yield _text(14, middle, title, "middle", f' transform="rotate(-90 14 {middle:.1f})"')
    for value in _ticks(y_of.low, y_of.high):
        yield f'<path d="M{LEFT} {y_of(value):.1f}H{right}" stroke="{GREY}" stroke-width=".6"/>'
        yield _text(LEFT - 6, y_of(value) + 3.5, _short(value), "end")
    if level is not None:
        yield f'<path d="M{LEFT} {y_of(level):.1f}H{right}" stroke="{INK}" stroke-width=".8"/>'


def _ticks(low: float, high: float) -> list[float]:
    """Return a few round numbers between two values."""
    raw = (high - low) / TICKS
    size = 10.0 ** floor(log10(raw))
    step = next(size * k for k in (1, 2, 5, 10) if size * k >= raw)
    first = int(low // step) + 1
    return [k * step for k in range(first, first + 2 * TICKS) if k * step <= high]


def _short(value: float) -> str:
    return f"{value:.4g}" if value else "0"


def _series(one: Series, x_of: _Scale, y_of: _Scale) -> str:
    edge = [(x, high) for x, _, high in one.band] + [(x, low) for x, low, _ in one.band[::-1]]
    text = f'<path d="{_path(edge, x_of, y_of)}Z" fill="{one.tone}" fill-opacity=".14"/>' if edge else ""
    if one.line:
        text += f'<path d="{_path(one.line, x_of, y_of)}" fill="none" stroke="{one.tone}" stroke-width="1.4"/>'
        if one.name_at_end:
            text += _text(x_of(one.line[-1][0]), y_of(one.line[-1][1]) - 4, one.name, "end")
    for point in sorted(one.points, key=lambda point: point.stands_out):
        label = escape(f"{point.text}: {point.y:.4g}")
        mark = _mark(x_of(point.x), y_of(point.y), one.shape, one.tone, point.stands_out)
        text += mark.replace(" ", f' data-note="{point.note}" data-label="{label}" ', 1)
    return f'<g data-series="{escape(one.name)}">{text}</g>'


def _path(places: Iterable[tuple[float, float]], x_of: _Scale, y_of: _Scale) -> str:
    return "M" + "L".join(f"{x_of(x):.1f} {y_of(y):.1f}" for x, y in places)


def _mark(x: float, y: float, shape: str, tone: str, stands_out: bool = False) -> str:
    r = RADIUS_OUT if stands_out else RADIUS
    style = f'fill="{tone}"' + (f' stroke="{HIGHLIGHT}" stroke-width="1.4"' if stands_out else "")
    if shape not in CORNERS:
        return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{r:.1f}" {style}/>'
    corners = "L".join(f"{x + dx * r:.1f} {y + dy * r:.1f}" for dx, dy in CORNERS[shape])
    return f'<path d="M{corners}Z" {style}/>'


def _x_axis(figure: Panels, x_of: _Scale, bottom: float) -> Iterator[str]:
    last = -1e9
    for value, name in figure.ticks or [(v, _short(v)) for v in _ticks(x_of.low, x_of.high)]:
        x = x_of(value)
        if x_of.low <= value <= x_of.high and x - last > 7.0 * len(name):  # names must not run into one another
            yield _text(x, bottom + 6, name, "middle")
            last = x
    if figure.x_title:
        yield _text((LEFT + WIDE - RIGHT) / 2, bottom + 24, figure.x_title, "middle")


def _bars(figure: Bars) -> tuple[str, float]:
    parts, width = [_legend([(name, "circle", tone) for name, tone, _ in figure.parts])], WIDE - NAMES - RIGHT
    for place, name in enumerate(figure.names):
        x, y = NAMES, TOP + place * (BAR + 6)
        parts.append(_text(NAMES - 6, y + BAR - 4, name, "end"))
        for part, tone, shares in figure.parts:
            size = width * shares[place] / 100.0
            box = f'x="{x:.1f}" y="{y:.1f}" width="{size:.1f}" height="{BAR}" fill="{tone}" stroke="#fff"'
            parts.append(f'<rect {box} stroke-width=".5"><title>{escape(part)} {shares[place]:.0f} %</title></rect>')
            if size > 30:
                fill = f' fill="{INK if tone in PALE else "#fff"}"'
                parts.append(_text(x + size / 2, y + BAR - 4, f"{shares[place]:.0f} %", "middle", fill))
            x += size
    return "".join(parts), TOP + len(figure.names) * (BAR + 6) + 12


def _legend(entries: Iterable[tuple[str, str, str]]) -> str:
    parts, x, y = [], LEFT, 14.0
    for name, shape, tone in entries:
        size = 24 + 7.2 * len(name)
        if x + size > WIDE:
            x, y = LEFT, y + 16.0
        entry = _mark(x + 6, y - 4, shape, tone, False) + _text(x + 16, y, name)
        parts.append(f'<g data-legend="{escape(name)}">{entry}</g>')
        x += size
    return "".join(parts)


def _text(x: float, y: float, text: str, anchor: str = "start", more: str = "") -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}"{more}>{escape(text)}</text>'
