"""Two small charts of backgrounds: a microphone's level over the session, octave levels on the NR curves.

In: ``MicBackground`` values. Without a calibration there is no sound level, and no octave chart.
"""

from collections.abc import Sequence

from triage.judge.noise_rating import BANDS_HZ, nr_curve_db
from triage.sheets.backgrounds import TONE_DBFS, MicBackground
from triage.sheets.figure import GREY, TONES, Panels, Series

TREND = (150.0, 22.0)  # width and height
LEAST_RANGE_DB = 6.0  # less is drawn as a nearly flat line
CURVES = (0, 10, 15, 20, 30, 40, 50)


def trend_path(levels_dbfs: Sequence[float | None]) -> str:
    """Return the levels, take by take, as the path of a drawing TREND wide and high; a gap stays one."""
    known = [level for level in levels_dbfs if level is not None]
    if len(known) < 2:
        return ""
    middle, reach = (max(known) + min(known)) / 2, max(max(known) - min(known), LEAST_RANGE_DB)
    width, height = TREND
    step = width / (len(levels_dbfs) - 1)
    places = [
        None if level is None else (place * step, height * (0.5 - (level - middle) / reach * 0.9))
        for place, level in enumerate(levels_dbfs)
    ]
    return _path(places)


def rating_chart(backgrounds: Sequence[MicBackground]) -> Panels | None:
    """Return the octave levels of calibrated microphones over the NR curves, in dB re 20 uPa."""
    spectra = {one.mic: levels for one in backgrounds if (levels := _levels(one))}
    if not spectra:
        return None
    known = [level for levels in spectra.values() for level in levels if level is not None]
    low, high = min(0.0, 10 * (min(known) // 10)), max(50.0, 10 * (max(known) // 10 + 1))
    curves = {f"NR {nr}": [level if low <= level <= high else None for level in nr_curve_db(nr)] for nr in CURVES}
    shown = {name: levels for name, levels in curves.items() if levels[-1] is not None}
    series = [Series(0, GREY, name=name, name_at_end=True, line=_line(levels)) for name, levels in shown.items()]
    series += [
        Series(0, TONES[number % len(TONES)], name=mic, in_legend=True, line=_line(levels))
        for number, (mic, levels) in enumerate(spectra.items())
    ]
    ticks = tuple((band, f"{hz:g}" if hz < 1000 else f"{hz / 1000:g}k") for band, hz in enumerate(BANDS_HZ))
    return Panels(("dB re 20 µPa",), tuple(series), ticks, "octave, Hz", height=220.0)


def _line(levels: Sequence[float | None]) -> tuple[tuple[float, float], ...]:
    return tuple((band, level) for band, level in enumerate(levels) if level is not None)


def _levels(one: MicBackground) -> tuple[float | None, ...]:
    """Return sound levels of the octaves that have a curve, nothing for a microphone without a calibration."""
    if one.full_scale_db_spl is None or not any(level is not None for level in one.octaves_dbfs[: len(BANDS_HZ)]):
        return ()
    add = one.full_scale_db_spl - TONE_DBFS
    return tuple(None if level is None else level + add for level in one.octaves_dbfs[: len(BANDS_HZ)])


def _path(places: Sequence[tuple[float, float] | None]) -> str:
    steps, joined = [], False
    for place in places:
        if place is not None:
            steps.append(f"{'L' if joined else 'M'}{place[0]:.1f} {place[1]:.1f}")
        joined = place is not None
    return "".join(steps)
