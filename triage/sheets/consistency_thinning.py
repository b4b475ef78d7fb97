"""Dots: so many of a figure as a page can hold and an eye can tell apart; those that stand out are all kept.

In: a figure of ``consistency_figures.py``. Out: the same figure with every k-th of its usual dots, and how many dots
were left out. Bands, lines and bars stay as they are: they were made from all notes.
"""

from collections.abc import Iterator
from math import ceil
from typing import Any

from triage.sheets.consistency_figures import STRAY, Figure

MOST_DOTS = 1200  # of a figure; as SVG some 200 bytes each
LISTS = ("x", "y", "customdata", "text")


def thinned(figure: Figure, most: int = MOST_DOTS) -> tuple[Figure, int]:
    """Return the figure with ``most`` dots, or a few more where so many stand out, and how many are left out."""
    dots = [(t, i) for t, trace in enumerate(figure["data"]) if _has_dots(trace) for i in range(len(trace["x"]))]
    if len(dots) <= most:
        return figure, 0
    odd = {dot for dot in dots if _stands_out(figure["data"][dot[0]], dot[1])}
    usual = [dot for dot in dots if dot not in odd]
    step = ceil(len(usual) / max(1, most - len(odd)))
    kept = odd | set(usual[::step])
    data = [
        _some(trace, [i for i in range(len(trace["x"])) if (t, i) in kept]) if _has_dots(trace) else trace
        for t, trace in enumerate(figure["data"])
    ]
    return {**figure, "data": data}, len(dots) - len(kept)


def _has_dots(trace: Figure) -> bool:
    return trace["type"] == "scatter" and trace.get("mode") == "markers"


def _stands_out(trace: Figure, i: int) -> bool:
    return STRAY in (_of(trace["marker"]["color"], i), _of(trace["marker"].get("line", {}).get("color"), i))


def _of(colour: Any, i: int) -> Any:
    return colour[i] if isinstance(colour, list) else colour


def _some(trace: Figure, rows: list[int]) -> Figure:
    marker = {
        name: [value[i] for i in rows] if isinstance(value, list) else value
        for name, value in trace["marker"].items()
    }
    return {**trace, **{name: [trace[name][i] for i in rows] for name in _lists(trace)}, "marker": marker}


def _lists(trace: Figure) -> Iterator[str]:
    return (name for name in LISTS if name in trace)
