"""The session's timeline as coordinates for drawing: takes along it, noise hits above one another by microphone.

In: takes in the order they were recorded and their hits. Out: a ``Timeline`` in units of a drawing WIDTH wide, which
a template turns into SVG. With the time of each take from its recorder the line is the clock of the day, breaks and
all; without it the takes stand end to end.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import get_args

from triage.domain.hit import Hit
from triage.domain.kinds import Mark, kind_named
from triage.store.stored import StoredTake

WIDTH, LEFT, ROW, TOP, BOTTOM = 1000.0, 130.0, 26.0, 26.0, 28.0
LEAST_STRIP = 1.0  # so wide a take is drawn at least
MOST_STRIPS = 280  # on the line; of more takes several share a strip, which still is 3 wide
CLOCKS = ("bext", "iXML")  # a file's own time is that of its last copy
STEPS_MIN = (1, 2, 5, 10, 15, 30, 60, 120, 240, 480)
MOST_TICKS = 12
MARKS = get_args(Mark)


@dataclass(frozen=True)
class TakeStrip:
    """A take on the line, or several in a row where there are very many."""

    name: str
    x: float
    width: float


@dataclass(frozen=True)
class HitMark:
    """All hits of one shape on one microphone in one strip."""

    shape: str
    x: float
    y: float
    width: float  # of the take
    size: float  # grows with their number
    exposed: float  # of the most exposed
    title: str


@dataclass(frozen=True)
class Timeline:
    """What is drawn: rows are (name, y), ticks are (x, label)."""

    width: float
    height: float
    left: float
    rows: tuple[tuple[str, float], ...]
    ticks: tuple[tuple[float, str], ...]
    strips: tuple[TakeStrip, ...]
    marks: tuple[HitMark, ...]
    shapes: tuple[str, ...]  # that occur
    on_clock: bool


def in_order(takes: Sequence[StoredTake]) -> list[StoredTake]:
    """Return the takes as they were recorded: by the recorder's clock, or by name where one take has no clock."""
    if on_clock(takes):
        return sorted(takes, key=lambda take: (take.recorded_at or datetime.min, take.name))
    return sorted(takes, key=lambda take: take.name)


def on_clock(takes: Sequence[StoredTake]) -> bool:
    """Tell whether the recorder's clock is known for every take, and takes do not all have the same time."""
    times = {take.recorded_at for take in takes}
    return (
        bool(takes)
        and None not in times
        and all(take.recorded_from in CLOCKS for take in takes)
        and (len(takes) == 1 or len(times) > 1)
    )


def timeline(takes: Sequence[StoredTake], hits: Sequence[tuple[Hit, str]]) -> Timeline:
    """Return the timeline of takes ``in_order`` with hits and the kind each one is grouped under."""
    clock = on_clock(takes)
    starts, total_s = _starts(takes, clock)
    per_s = (WIDTH - LEFT) / max(total_s, 1.0)
    each = [_strip(take, LEFT + start * per_s, per_s) for take, start in zip(takes, starts, strict=True)]
    strips, strip_of = _joined(each)
    mics = sorted({hit.mic for hit, _ in hits})
    rows = tuple((mic, TOP + ROW * (place + 0.5)) for place, mic in enumerate(mics))
    marks = _marks(strip_of, dict(rows), hits)
    first = takes[0].recorded_at if clock and takes else None
    used = tuple(shape for shape in MARKS if any(mark.shape == shape for mark in marks))
    height = TOP + ROW * len(rows) + BOTTOM
    return Timeline(WIDTH, height, LEFT, rows, _ticks(total_s, per_s, first), tuple(strips), marks, used, clock)


def _strip(take: StoredTake, x: float, per_s: float) -> TakeStrip:
    width = max(LEAST_STRIP, (take.duration_s or 0.0) * per_s)
    return TakeStrip(take.name, min(x, WIDTH - width), width)


def _joined(each: Sequence[TakeStrip]) -> tuple[list[TakeStrip], dict[str, TakeStrip]]:
    """Return as many strips as can be told apart, and the strip of every take."""
    if len(each) <= MOST_STRIPS:
        return list(each), {strip.name: strip for strip in each}
    wide = (WIDTH - LEFT) / MOST_STRIPS
    groups: dict[int, list[TakeStrip]] = {}
    for strip in each:
        groups.setdefault(int((strip.x - LEFT) / wide), []).append(strip)
    joined: list[TakeStrip] = []
    strip_of: dict[str, TakeStrip] = {}
    for own in groups.values():
        name = own[0].name if len(own) == 1 else f"{own[0].name} to {own[-1].name}"
        end = max(strip.x + strip.width for strip in own)
        joined.append(TakeStrip(name, own[0].x, end - own[0].x))
        strip_of |= {strip.name: joined[-1] for strip in own}
    return joined, strip_of


def _starts(takes: Sequence[StoredTake], clock: bool) -> tuple[list[float], float]:
    if clock:
        first = takes[0].recorded_at or datetime.min
        starts = [((take.recorded_at or first) - first).total_seconds() for take in takes]
        ends = (start + (take.duration_s or 0.0) for start, take in zip(starts, takes, strict=True))
        return starts, max(ends, default=0.0)
    starts, at_s = [], 0.0
    for take in takes:
        starts.append(at_s)
        at_s += take.duration_s or 0.0
    return starts, at_s


def _ticks(total_s: float, per_s: float, first: datetime | None) -> tuple[tuple[float, str], ...]:
    step = next((step for step in STEPS_MIN if total_s / 60 / step <= MOST_TICKS), STEPS_MIN[-1])
    if first is None:
        return tuple((LEFT + at * 60 * per_s, f"{at}") for at in range(0, int(total_s / 60) + 1, step))
    begin_min = first.hour * 60 + first.minute + first.second / 60
    whole = [at for at in range(0, int(begin_min + total_s / 60) + 1, step) if at >= begin_min]
    return tuple((LEFT + (at - begin_min) * 60 * per_s, f"{at // 60 % 24:02}:{at % 60:02}") for at in whole)


def _marks(
    strips: dict[str, TakeStrip], rows: dict[str, float], hits: Sequence[tuple[Hit, str]]
) -> tuple[HitMark, ...]:
    found: dict[tuple[TakeStrip, str, str], list[tuple[Hit, str]]] = {}
    for hit, kind in hits:
        found.setdefault((strips[hit.take], hit.mic, kind_named(kind).mark), []).append((hit, kind))
    order = MARKS
    marks = []
    for (strip, mic, shape), own in found.items():
        kinds = sorted({kind for _, kind in own})
        marks.append(
            HitMark(
                shape,
                strip.x + strip.width / 2,
                rows[mic] + (order.index(shape) - (len(order) - 1) / 2) * 2.0,
                strip.width,
                4.5 + min(4.0, 1.5 * (len(own) - 1) ** 0.5),
                max(hit.exposed or 0.0 for hit, _ in own),
                f"{strip.name}, {mic}: {len(own)} ({', '.join(kinds)})",
            )
        )
    return tuple(marks)
