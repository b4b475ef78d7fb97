"""Backgrounds: how quiet each microphone was over the session, and whether that changed.

In: the store's floor of each microphone in each take, and the session's calibration. Out: a ``MicBackground`` for
each microphone. Levels are mean squares in dB re full scale, so a tone whose peaks reach full scale reads -3.01;
with a calibration its sound level is known, and with it every other.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from triage.domain.take import NoiseFloor
from triage.judge.noise_rating import BANDS_HZ, NoiseRating, noise_rating
from triage.judge.trend import mann_kendall, theil_sen_slope

TONE_DBFS = -3.01  # a tone at full scale, as a mean square
SURE, LEAST_CHANGE_DB = 0.01, 2.0  # of a drift worth reporting


@dataclass(frozen=True)
class MicBackground:
    """One microphone's background; what needs a calibration is None without one."""

    mic: str
    takes: int
    level_dbfs: float | None  # all frequencies alike, median over the takes
    highest_dbfs: float | None
    highest_take: str | None
    a_dbfs: float | None  # A-weighted, median over the takes
    a_highest_dbfs: float | None
    a_highest_take: str | None
    octaves_dbfs: tuple[float | None, ...]  # medians, 31.5 Hz to 16 kHz; empty where not measured
    db_a: float | None  # dB SPL, A-weighted
    rating: NoiseRating | None
    trend_dbfs: tuple[float | None, ...]  # A-weighted, take by take
    change_db: float | None  # from the first take to the last, where it is significant
    full_scale_db_spl: float | None  # its calibration


def mic_backgrounds(
    floors: Sequence[NoiseFloor], takes: Sequence[str], full_scale_db_spl: Mapping[str, float]
) -> list[MicBackground]:
    """Return the background of each microphone, in order of name; ``takes`` are in the order they were recorded."""
    by_mic: dict[str, dict[str, NoiseFloor]] = {}
    for floor in floors:
        by_mic.setdefault(floor.mic, {})[floor.take] = floor
    return [
        _of_mic(mic, [rows[take] for take in takes if take in rows], full_scale_db_spl.get(mic))
        for mic, rows in sorted(by_mic.items())
    ]


def _of_mic(mic: str, rows: list[NoiseFloor], full_scale_db_spl: float | None) -> MicBackground:
    levels_dbfs = tuple(row.a_dbfs for row in rows)
    plain = _usual([(row.level_dbfs, row.take) for row in rows if row.level_dbfs is not None])
    weighted = _usual([(row.a_dbfs, row.take) for row in rows if row.a_dbfs is not None])
    octaves = _octaves([row.octaves_dbfs for row in rows if row.octaves_dbfs is not None])
    to_spl = None if full_scale_db_spl is None else full_scale_db_spl - TONE_DBFS
    return MicBackground(
        mic,
        len(rows),
        *plain,
        *weighted,
        octaves,
        None if to_spl is None or weighted[0] is None else weighted[0] + to_spl,
        None if to_spl is None else _rating(octaves, to_spl),
        levels_dbfs,
        _change_db(levels_dbfs),
        full_scale_db_spl,
    )


def _usual(known: list[tuple[float, str]]) -> tuple[float | None, float | None, str | None]:
    """Return the median level, the highest one, and in which take that was."""
    if not known:
        return None, None, None
    return float(np.median([level for level, _ in known])), *max(known)


def _octaves(rows: Sequence[tuple[float | None, ...]]) -> tuple[float | None, ...]:
    """Return the median of each octave over the takes that have it."""
    columns = ([level for level in column if level is not None] for column in zip(*rows, strict=True))
    return tuple(float(np.median(column)) if column else None for column in columns)


def _rating(octaves_dbfs: tuple[float | None, ...], to_spl: float) -> NoiseRating | None:
    levels = np.array([np.nan if level is None else level + to_spl for level in octaves_dbfs[: len(BANDS_HZ)]])
    return noise_rating(levels) if len(levels) == len(BANDS_HZ) and np.isfinite(levels).any() else None


def _change_db(levels_dbfs: Sequence[float | None]) -> float | None:
    """Return by how much the background rose from the first take to the last, if it surely did."""
    levels = np.array([np.nan if level is None else level for level in levels_dbfs], dtype=float)
    # What is too small to be reported need not be tested, and the test's library takes long to load.
    if not abs(theil_sen_slope(levels)) * (len(levels) - 1) >= LEAST_CHANGE_DB:
        return None
    trend = mann_kendall(levels)
    change = trend.slope * (len(levels) - 1)
    return float(change) if trend.p < SURE and abs(change) >= LEAST_CHANGE_DB else None
