"""The noise sheet: what disturbed a session, where it came from, how quiet it was, and what to fix.

In: the store and a session's id. Out: a ``NoiseSheet`` of plain values, and ``noise_page`` makes one HTML page of it
that stands alone. Spectrograms and sound come from two functions that the caller gives, since this package reads no
recordings.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime

import numpy as np
from sqlalchemy import Connection

from triage.domain.errors import StoreError
from triage.domain.hit import Hit
from triage.domain.kinds import kind_named, label
from triage.judge.hit_groups import HitGroup, groups_of, key_of, parts_of
from triage.judge.noise_rating import AIMED_NR, MOST_NR
from triage.judge.trend import mann_kendall
from triage.sheets.backgrounds import LEAST_CHANGE_DB, SURE, MicBackground, mic_backgrounds
from triage.sheets.figure import svg
from triage.sheets.html_page import page
from triage.sheets.natural_sounds import NaturalSound, natural_sounds
from triage.sheets.noise_charts import TREND, rating_chart, trend_path
from triage.sheets.noise_text import levels_of, line_of, rating_text, remedy_of
from triage.sheets.timeline import Timeline, in_order, timeline
from triage.store.harmless_groups import marks
from triage.store.hits import floors, hits
from triage.store.takes import session_of, takes

LEAST_HITS = 3  # of a group that is worth a search before the next session
MOST_TO_FIX, MOST_SHOWN = 10, 12
CHART_TITLE = "Octaves of each calibrated microphone over the noise-rating curves"


@dataclass(frozen=True)
class GroupLine:
    """One group of hits as it is listed: its text, its numbers, and the hit to play first."""

    line: str
    levels: str
    trend: str  # of a steady noise's level over the session
    group: HitGroup
    worst: Hit
    first: Hit
    last: Hit


@dataclass(frozen=True)
class HarmlessGroup:
    """A group that somebody marked as harmless."""

    line: str
    key: str
    by: str
    at: datetime


@dataclass(frozen=True)
class NoiseSheet:
    """Everything on the sheet; ``counts`` is kind -> microphone -> number of hits."""

    session: str
    date: date
    takes: int
    minutes: float
    hits: int
    audible: int
    silent: int
    counts: dict[str, dict[str, int]]
    mics: tuple[str, ...]
    groups: tuple[GroupLine, ...]
    harmless: tuple[HarmlessGroup, ...]
    backgrounds: tuple[MicBackground, ...]
    to_fix: tuple[str, ...]
    timeline: Timeline
    natural: tuple[NaturalSound, ...] = ()

    @property
    def calibrated(self) -> bool:
        """Whether any microphone's sound level is known."""
        return any(background.db_a is not None for background in self.backgrounds)


@dataclass(frozen=True)
class HitSpectrogram:
    """A spectrogram around a hit: a data URI, the segment that it shows and its frequency range (logarithmic)."""

    uri: str
    start_s: float
    end_s: float
    low_hz: float
    high_hz: float

    def share_of(self, hz: float) -> float:
        """Return how far up a frequency lies: 0 at the bottom, 1 at the top."""
        return math.log(hz / self.low_hz) / math.log(self.high_hz / self.low_hz)


@dataclass(frozen=True)
class Sound:
    """A few seconds to play: a data URI and by how many dB it was raised or lowered."""

    uri: str
    gain_db: float


SpectrogramOf = Callable[[Hit], HitSpectrogram | None]
SoundOf = Callable[[Hit], Sound | None]


def noise_sheet(db: Connection, session_id: int, everything: bool = False) -> NoiseSheet:
    """Return a session's noise sheet; with ``everything`` the groups called harmless are listed like the others."""
    session = session_of(db, session_id)
    if session is None:
        raise StoreError(f"no session with id {session_id} in the store; `triage intake FOLDER` takes one in")
    played = in_order(takes(db, session_id))
    place = {take.name: at for at, take in enumerate(played)}
    every = sorted(hits(db, session_id, harmless=True), key=lambda hit: (place[hit.take], hit.start_s, hit.mic))
    listed = [hit for hit in every if everything or not hit.harmless]
    keys = [group_of(hit) for hit in listed]
    groups = tuple(_line(group, listed) for group in groups_of(listed, keys))
    backgrounds = mic_backgrounds(
        floors(db, session_id), [take.name for take in played], session.full_scale_db_spl or {}
    )
    kinds = [parts_of(key)[1] for key in keys]
    counts, mics = _counts([(kind, hit.mic) for kind, hit in zip(kinds, listed, strict=True)])
    return NoiseSheet(
        session.name,
        session.date,
        len(played),
        sum(take.duration_s or 0.0 for take in played) / 60,
        len(listed),
        sum(line.group.audible for line in groups),
        sum(hit.harmless for hit in every),
        counts,
        mics,
        groups,
        _harmless(db, [hit for hit in every if hit.harmless]),
        tuple(backgrounds),
        _to_fix(groups, backgrounds),
        timeline(played, list(zip(listed, kinds, strict=True))),
        natural_sounds(
            hits(db, session_id, harmless=True, usual=True),
            {take.name: take.instrument for take in played},
            {take.name for take in played if take.without_natural_sounds},
        ),
    )


def group_of(hit: Hit) -> str:
    """Return a hit's group; one that was never ranked is grouped by microphone and kind."""
    return hit.group or key_of(hit.mic, hit.kind, "any")


def noise_page(sheet: NoiseSheet, spectrogram_of: SpectrogramOf, sound_of: SoundOf) -> str:
    """Return the sheet as one page of HTML; the worst groups get a spectrogram and a few seconds of sound."""
    chart = rating_chart(sheet.backgrounds)
    shown = [(line, spectrogram_of(line.worst), sound_of(line.worst)) for line in sheet.groups[:MOST_SHOWN]]
    return page(
        "noise.html",
        sheet=sheet,
        shown=shown,
        rest=sheet.groups[MOST_SHOWN:],
        name_of=label,
        octave_names=("31.5", "63", "125", "250", "500", "1k", "2k", "4k", "8k", "16k"),
        aimed_nr=AIMED_NR,
        most_nr=MOST_NR,
        clock=clock,
        chart=svg(chart, CHART_TITLE) if chart else "",
        trend_path=trend_path,
        trend=TREND,
    )


def clock(seconds: float) -> str:
    """Return a time inside a take as minutes and seconds."""
    tenths = round(10 * seconds)
    return f"{tenths // 600}:{tenths % 600 / 10:04.1f}"


def _line(group: HitGroup, listed: list[Hit]) -> GroupLine:
    worst, first, last = (listed[at] for at in (group.worst, group.first, group.last))
    line, trend = line_of(group) + _since(group, listed), _trend_text(group, listed)
    return GroupLine(line, levels_of(group), trend, group, worst, first, last)


def _since(group: HitGroup, listed: list[Hit]) -> str:
    """Return the frequency of a steady noise, and from which take on it is there."""
    if group.rhythm != "steady":
        return ""
    known = [hz for at in group.hits if (hz := listed[at].hz)]
    where = f" at {float(np.median(known)):g} Hz" if known else ""
    return f",{where} since {listed[group.first].take}"


def _counts(found: list[tuple[str, str]]) -> tuple[dict[str, dict[str, int]], tuple[str, ...]]:
    """Return kind -> microphone -> number, and the microphones; the most frequent come first."""
    by_kind: dict[str, dict[str, int]] = {}
    by_mic: dict[str, int] = {}
    for kind, mic in found:
        by_kind.setdefault(kind, {})[mic] = by_kind.get(kind, {}).get(mic, 0) + 1
        by_mic[mic] = by_mic.get(mic, 0) + 1
    kinds = sorted(by_kind, key=lambda kind: (-sum(by_kind[kind].values()), kind))
    return {kind: by_kind[kind] for kind in kinds}, tuple(sorted(by_mic, key=lambda mic: (-by_mic[mic], mic)))


def _harmless(db: Connection, suppressed: list[Hit]) -> tuple[HarmlessGroup, ...]:
    marked = marks(db)
    groups = groups_of(suppressed, [group_of(hit) for hit in suppressed])
    return tuple(
        HarmlessGroup(line_of(group), group.key, marked[group.key].by, marked[group.key].at)
        for group in groups
        if group.key in marked
    )


def _to_fix(groups: tuple[GroupLine, ...], backgrounds: list[MicBackground]) -> tuple[str, ...]:
    """Return what to fix before the next session, the worst first."""
    worth = [line for line in groups if _is_worth(line.group)]
    sentences = [remedy_of(line.group, line.trend) for line in worth][:MOST_TO_FIX]
    for one in backgrounds:
        if one.change_db is not None:
            way = "rose" if one.change_db > 0 else "fell"
            sentences.append(
                f"The background of the {one.mic} microphone {way} by {abs(one.change_db):.0f} dB from the first "
                "take to the last; find out what was switched on or off, or whether its gain was changed."
            )
    if loud := [(one.mic, one.rating) for one in backgrounds if one.rating and one.rating.curve > MOST_NR]:
        sentences.append(rating_text(loud))
    return tuple(sentences)


def _is_worth(group: HitGroup) -> bool:
    return len(group.hits) >= LEAST_HITS or group.rhythm == "steady" or kind_named(group.kind).serious


def _trend_text(group: HitGroup, listed: list[Hit]) -> str:
    """Return how the level of a steady noise changed over the session, where the trend is significant."""
    if group.rhythm != "steady":
        return ""
    levels = [np.nan if (level := listed[at].level_dbfs) is None else level for at in group.hits]
    trend = mann_kendall(np.array(levels, dtype=float))
    change = trend.slope * (len(levels) - 1)
    if not (trend.p < SURE and abs(change) >= LEAST_CHANGE_DB):
        return ""
    return f"{'rising' if change > 0 else 'falling'} by {abs(change):.0f} dB over the session"
