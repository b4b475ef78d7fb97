"""Two small drawings of backgrounds for paper: a microphone's course over the session, octaves on the NR curves.

In: ``MicBackground`` values. Out: places in a drawing, which a template turns into SVG. Without a calibration there
is no sound level, and the second is None.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from triage.judge.noise_rating import BANDS_HZ, nr_curve_db
from triage.sheets.backgrounds import TONE_DBFS, MicBackground

COURSE = (150.0, 22.0)  # width and height
LEAST_RANGE_DB = 6.0  # less is drawn as a nearly flat line
CHART, LEFT, RIGHT, TOP, BOTTOM = (760.0, 330.0), 46.0, 150.0, 10.0, 30.0
CURVES = (0, 10, 15, 20, 30, 40, 50)
LABEL_APART = 19.0


@dataclass(frozen=True)
class Line:
    """A line and the name at its right end."""

    path: str
    name: str
    x: float
    y: float


@dataclass(frozen=True)
class RatingChart:
    """Octave levels of each calibrated microphone over noise-rating curves; ticks are (place, name)."""

    width: float
    height: float
    left: float
    right: float
    curves: tuple[Line, ...]
    mics: tuple[Line, ...]
    octaves: tuple[tuple[float, str], ...]
    levels: tuple[tuple[float, str], ...]


def course_path(course_dbfs: Sequence[float | None]) -> str:
    """Return a background's course, take by take, as the path of a drawing COURSE wide and high; a gap stays one."""
    known = [level for level in course_dbfs if level is not None]
    if len(known) < 2:
        return ""
    middle, reach = (max(known) + min(known)) / 2, max(max(known) - min(known), LEAST_RANGE_DB)
    width, height = COURSE
    step = width / (len(course_dbfs) - 1)
    places = [
        None if level is None else (place * step, height * (0.5 - (level - middle) / reach * 0.9))
        for place, level in enumerate(course_dbfs)
    ]
    return _path(places)


def rating_chart(backgrounds: Sequence[MicBackground]) -> RatingChart | None:
    """Return the octaves of calibrated microphones over the curves, in dB re 20 uPa."""
    spectra = {one.mic: levels for one in backgrounds if (levels := _levels(one))}
    if not spectra:
        return None
    known = [level for levels in spectra.values() for level in levels if level is not None]
    low, high = min(0.0, 10 * (min(known) // 10)), max(50.0, 10 * (max(known) // 10 + 1))
    width, height = CHART

    def at(band: int, level: float) -> tuple[float, float]:
        x = LEFT + (width - LEFT - RIGHT) * band / (len(BANDS_HZ) - 1)
        return x, TOP + (height - TOP - BOTTOM) * (high - level) / (high - low)

    mics = [
        Line(
            _path([None if level is None else at(band, level) for band, level in enumerate(levels)]),
            mic,
            *at(len(BANDS_HZ) - 1, next(level for level in reversed(levels) if level is not None)),
        )
        for mic, levels in spectra.items()
    ]
    curves = [(nr, nr_curve_db(nr)) for nr in CURVES]
    inside = [(nr, levels) for nr, levels in curves if low <= levels[-1] <= high]
    return RatingChart(
        width,
        height,
        LEFT,
        width - RIGHT,
        tuple(
            Line(_path([_clipped(at(b, level)) for b, level in enumerate(levels)]), f"NR {nr}", *at(8, levels[-1]))
            for nr, levels in inside
        ),
        tuple(_apart(mics)),
        tuple((at(band, low)[0], f"{hz:g}" if hz < 1000 else f"{hz / 1000:g}k") for band, hz in enumerate(BANDS_HZ)),
        tuple((at(0, level)[1], f"{level:g}") for level in range(int(low), int(high) + 1, 10)),
    )


def _levels(one: MicBackground) -> tuple[float | None, ...]:
    """Return sound levels of the octaves that have a curve, nothing for a microphone without a calibration."""
    if one.full_scale_db_spl is None or not any(level is not None for level in one.octaves_dbfs[: len(BANDS_HZ)]):
        return ()
    add = one.full_scale_db_spl - TONE_DBFS
    return tuple(None if level is None else level + add for level in one.octaves_dbfs[: len(BANDS_HZ)])


def _clipped(place: tuple[float, float]) -> tuple[float, float] | None:
    return place if TOP <= place[1] <= CHART[1] - BOTTOM else None


def _apart(lines: list[Line]) -> list[Line]:
    """Move the names of lines that end close together apart."""
    out: list[Line] = []
    for line in sorted(lines, key=lambda line: line.y):
        y = max(line.y, out[-1].y + LABEL_APART) if out else line.y
        out.append(Line(line.path, line.name, line.x, y))
    return out


def _path(places: Sequence[tuple[float, float] | None]) -> str:
    words, drawn = [], False
    for place in places:
        if place is not None:
            words.append(f"{'L' if drawn else 'M'}{place[0]:.1f} {place[1]:.1f}")
        drawn = place is not None
    return "".join(words)
