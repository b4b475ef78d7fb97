"""Noise hits of one take: its noise events on all microphones, each with kind, nearest microphone and exposure.

``NoiseHits`` is given one file after another while a take is analysed, and gives hits at the end. Wiring: what is a
hit and of which kind is decided in ``listen/hits.py``, where in ``listen/nearest_mic.py``.
"""

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

import numpy as np

from triage.domain.hit import Hit
from triage.domain.take import NoiseFloor
from triage.intake import wav
from triage.intake.arrivals import TrackFile
from triage.listen.acoustic_clicks import of_the_samples
from triage.listen.digital import SampleCheck
from triage.listen.hits import SURE, MicAnalysis, NoiseEvent, analyse_mic, noise_events
from triage.listen.masking import exposure
from triage.listen.natural_sounds import LEAST_NOISE, away_from_player_s, is_natural
from triage.listen.nearest_mic import apart_s, arrivals, by_nearness, closeness_db, correlations, later_s
from triage.listen.noise_network import NoiseDetector, load_detector
from triage.listen.notes import NoteSegment
from triage.listen.stationary_noise import HumDetector, StationaryNoise, broadband_noise

COMPARED = 4  # microphones whose arrival times are compared: those with the highest level
BEFORE_S, ONSET_S, CLEAR_S = 0.3, 0.06, 0.02  # before a noise: what is read, what shows its onset, what is not it
LEAST_S, MOST_S = 0.15, 0.5  # of the segment that shows where a noise comes from
MUSIC_SHARE = 0.7  # of the agreement before the noise that is taken off
TECHNICAL_S = 0.005


class NoiseHits:
    """Collects the noises of one take, file by file; ``detector`` in place of the shipped one."""

    def __init__(self, detector: NoiseDetector | None = None) -> None:
        self._detector = detector or load_detector()
        self._analysed: list[MicAnalysis] = []
        self._steady: list[tuple[str, StationaryNoise]] = []
        self._technical: list[Hit] = []

    def add(
        self,
        group: Sequence[TrackFile],
        frames: np.ndarray,
        notes: Sequence[NoteSegment],
        check: SampleCheck,
        hum: HumDetector,
    ) -> None:
        """Add one file: its tracks, frames (channel, mel, frame), sample check and hum detector."""
        for channel, track in enumerate(group):
            self._analysed.append(analyse_mic(frames[channel], notes, track.mic, self._detector))
        self._steady += [(group[one.channel].mic, one) for one in hum.hum()]
        self._technical += technical(group, check)

    def hits(
        self,
        tracks: Sequence[TrackFile],
        folder: Path,
        notes: Sequence[NoteSegment],
        floors: Sequence[NoiseFloor],
        take_s: float,
    ) -> tuple[Hit, ...]:
        """Return all hits of the take in order of time, each with the note that it is in or after."""
        joined = [_one(hit, tracks, folder, floors) for hit in noise_events(self._analysed, notes, self._detector)]
        starts = np.array([note.start_s for note in notes])
        technical = _without_sounds(self._technical, joined, starts)
        found = [
            Hit(**{**vars(hit), "note": int((starts <= hit.end_s).sum()) or None})
            for hit in sorted((*joined, *technical), key=lambda h: (h.start_s, h.kind))
        ]
        return (*self._lasting(floors, take_s), *found)

    def _lasting(self, floors: Sequence[NoiseFloor], take_s: float) -> Iterator[Hit]:
        """Yield hum, rumble and hiss, once a microphone, over the whole take and of no note."""
        known = [floor for floor in floors if floor.octaves_dbfs]
        wide = broadband_noise([f.octaves_dbfs or () for f in known], [f.note_dbfs for f in known])
        for mic, one in (*self._steady, *((known[one.channel].mic, one) for one in wide)):
            yield Hit(
                one.kind, 0.0, take_s, mic, (mic,), one.level_dbfs, one.over_db, exposure(one.over_db), hz=one.hz
            )


def _without_sounds(found: Sequence[Hit], events: Sequence[Hit], starts: np.ndarray) -> list[Hit]:
    """Return the technical faults without clicks that are sharp sounds of the room."""
    clicks = [hit for hit in found if hit.kind == "digital-click"]
    spans = [(hit.start_s, hit.end_s) for hit in events if len(hit.mics) > 1]
    mics = sorted({hit.mic for hit in clicks})
    tracks = [mics.index(hit.mic) for hit in clicks]
    real = of_the_samples([hit.start_s for hit in clicks], tracks, spans, starts.tolist())
    kept = {id(hit) for hit, own in zip(clicks, real, strict=True) if own}
    return [hit for hit in found if hit.kind != "digital-click" or id(hit) in kept]


def technical(group: Sequence[TrackFile], check: SampleCheck) -> list[Hit]:
    """Return dropouts, digital clicks, clipped runs and dead tracks as hits, fully exposed.

    They have no level, except clipped runs: their channel's true peak, in dBTP.
    """
    take_s = check.samples / check.rate_hz
    found = [("dropout", h.start_s, h.end_s, h.channel) for h in check.holes()]
    found += [("digital-click", h.start_s, h.end_s, h.channel) for h in check.clicks()]
    found += [("dropout", at_s, at_s + TECHNICAL_S, channel) for at_s, channel in check.not_numbers_s]
    found += [("clipped", at_s, at_s + TECHNICAL_S, channel) for at_s, channel in check.clipped_s]
    found += [("dead-track", 0.0, take_s, channel) for channel in check.dead_channels()]
    peaks_dbtp = check.true_peaks_dbtp
    return [
        Hit(
            kind,
            start_s,
            end_s,
            group[channel].mic,
            (group[channel].mic,),
            peaks_dbtp[channel] if kind == "clipped" else None,
            None,
            1.0,
        )
        for kind, start_s, end_s, channel in found
    ]


def _one(event: NoiseEvent, tracks: Sequence[TrackFile], folder: Path, floors: Sequence[NoiseFloor]) -> Hit:
    """Return one event with the microphone nearest to it and those that picked it up."""
    mics = tuple(event.mics)
    place = _Place(mics[0], None, float("nan"))
    if event.sure >= LEAST_NOISE or event.played < SURE:
        place = _place(event, tracks, folder, {f.mic: f for f in floors})
    natural = event.natural if is_natural(event, place.away_s) else None
    return Hit(
        event.kind,
        event.start_s,
        event.end_s,
        place.mic,
        mics,
        event.mics[mics[0]].level_dbfs,
        max(one.over_floor_db for one in event.mics.values()),
        event.exposed,
        second_mic=place.second,
        natural=natural,
        usual=natural is not None,
        sound=event.sound,
    )


class _Place(NamedTuple):
    """Where a sound comes from: the nearest microphone, one that may as well be it, how far from the player in s."""

    mic: str
    second: str | None
    away_s: float


def _place(event: NoiseEvent, tracks: Sequence[TrackFile], folder: Path, floors: dict[str, NoiseFloor]) -> _Place:
    """Return where an event comes from, from its samples on the few microphones that may be the nearest."""
    loudest = next(iter(event.mics))
    unknown = _Place(loudest, None, float("nan"))
    rate_hz = next(track.facts.sample_rate_hz for track in tracks if track.mic == loudest)
    known = [t for t in tracks if t.facts.sample_rate_hz == rate_hz and _note_dbfs(floors.get(t.mic)) is not None]
    if len(known) < 2 or loudest not in [track.mic for track in known]:
        return unknown
    # A microphone without the hit is far; but with few microphones all may be compared.
    known.sort(key=lambda t: event.mics[t.mic].level_dbfs if t.mic in event.mics else -np.inf, reverse=True)
    known = known[:COMPARED]
    read, start = _segments(known, folder, event)
    before, segments = (
        read[:, : max(0, start - round(CLEAR_S * rate_hz))],
        read[:, max(0, start - round(ONSET_S * rate_hz)) :],
    )
    if segments.shape[1] < LEAST_S * rate_hz:
        return unknown
    own = [floors[track.mic] for track in known]
    lags, levels = np.array([_lag_s(f) for f in own]), [_rise_dbfs(segment, rate_hz) for segment in segments]
    correlated = correlations(segments, rate_hz)
    away_s = away_from_player_s(later_s(correlated, rate_hz), lags)
    if before.shape[1] >= LEAST_S * rate_hz:
        correlated = correlated - MUSIC_SHARE * np.maximum(correlations(before, rate_hz, stands_out=False), 0.0)
    close = closeness_db(levels, [f.note_dbfs or 0.0 for f in own], lags.tolist())
    first, second = by_nearness(arrivals(correlated, apart_s(lags), rate_hz), close)
    return _Place(known[first].mic, None if second is None else known[second].mic, away_s)


def _note_dbfs(floor: NoiseFloor | None) -> float | None:
    return floor.note_dbfs if floor else None


def _lag_s(floor: NoiseFloor) -> float:
    """Return how late the player's sound arrives; the reference microphone, to which lags are relative, has none."""
    if floor.lag_s is None:
        return 0.0 if floor.polarity is None else float("nan")
    return floor.lag_s


def _segments(tracks: Sequence[TrackFile], folder: Path, hit: NoiseEvent) -> tuple[np.ndarray, int]:
    """Return the same moment of every track, from before an event arrives anywhere [shape=(track, sample)].

    And the sample in it at which the event begins.
    """
    length_s = min(max(hit.end_s - hit.start_s, LEAST_S), MOST_S)
    start_s = max(0.0, hit.start_s - BEFORE_S)
    read = [wav.read_span(folder / t.path, t.channel, start_s, hit.start_s + length_s) for t in tracks]
    shortest = min(map(len, read))
    whole = np.stack([np.nan_to_num(s[:shortest], nan=0.0, posinf=0.0, neginf=0.0) for s in read])
    return whole, round((hit.start_s - start_s) * tracks[0].facts.sample_rate_hz)


def _rise_dbfs(segment: np.ndarray, rate_hz: int) -> float:
    """Return the loudest 10 ms of a segment less what was there in its first 50 ms, in dBFS."""
    size = round(0.01 * rate_hz)
    power = (segment[: len(segment) // size * size].reshape(-1, size).astype(np.float64) ** 2).mean(axis=1)
    return float(10 * np.log10(max(power.max() - power[:5].mean(), 1e-15)))
