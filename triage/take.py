"""One take's way through the house: its files in, one TakeRecord out, with notes, measurements, hits, embeddings.

Every file is read once in blocks for the frames and the sample checks; the judging microphone's notes are then
read again, note by note. Nothing larger than one microphone's frames and one note's samples is held.
"""

import hashlib
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import numpy as np
from scipy import ndimage

from triage.errors import TriageError
from triage.intake import wav
from triage.intake.pitchname import midi_to_hz
from triage.intake.roll import Take, Track
from triage.listen.digital import SampleCheck
from triage.listen.embed import Encoder, FixedEmbedding
from triage.listen.hits import Hit, find_hits
from triage.listen.logmel import BANDS_OVER_RMS_DB, HOP_S, LogMel
from triage.listen.measure import measure, window
from triage.listen.mics import match
from triage.listen.notes import Note, find_notes, floor_db
from triage.store.records import FloorRecord, HitRecord, NoteRecord, TakeRecord, TrackRecord

VERSION = "3"  # of what listening finds: a new one listens to every take again
ENCODER = FixedEmbedding()
BLOCK_S = 10.0
MATCHED = 12  # notes that a track is matched with the judging one over
SAME_MOMENT_S = 0.08  # hits of several microphones closer than this are one


class _Judged(NamedTuple):
    track: Track
    folder: Path
    frames: np.ndarray  # (mel, frame)


def fingerprint(take: Take, judge_mic: str, a4_hz: float, encoder: Encoder = ENCODER) -> str:
    """Return a text that changes when a file of the take, its row, or the way of listening changes."""
    parts = [VERSION, judge_mic, f"{a4_hz:g}", encoder.name, repr(take.meant)]
    parts += [f"{t.mic} {t.path} {t.channel} {t.facts.size_bytes} {t.facts.mtime_ns}" for t in take.tracks]
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()[:32]


def listen_take(take: Take, folder: Path, judge_mic: str, a4_hz: float, encoder: Encoder = ENCODER) -> TakeRecord:
    """Listen to one take; what cannot be read is said in its ``problem``, and the rest goes on."""
    tracks = sorted(take.tracks, key=lambda t: t.mic != judge_mic)
    problems: list[str] = []
    notes: list[Note] = []
    hits: list[HitRecord] = []
    records: list[NoteRecord] = []
    heard_on, floors, mic_hits, duration_s = None, [], [], 0.0
    for group in _by_file(tracks):
        try:
            frames, check = _frames(group, folder)
        except (TriageError, OSError, RuntimeError) as error:
            problems.append(f"{group[0].path}: {error}")
            continue
        duration_s = max(duration_s, check.samples / check.rate_hz)
        if not records:  # the judging microphone, or the next one where that one holds no note
            found = ((_Judged(t, folder, f), _notes(t, folder, f)) for t, f in zip(group, frames, strict=True))
            none = _Judged(group[0], folder, frames[0]), list[Note]()
            judged, notes = next(((one, own) for one, own in found if own), none)
            meant_hz = [midi_to_hz(pitch, a4_hz) for pitch in sorted(set(take.meant.pitches))]
            heard_on, records = judged.track, _measured(judged, notes, encoder, meant_hz)
        bands_hz = LogMel(check.rate_hz).band_hz()
        for channel, track in enumerate(group):
            floors.append(_floor(track, frames[channel], notes, (heard_on, folder)))
            mic_hits += find_hits(frames[channel], notes, track.mic, bands_hz)
        hits += _technical(group, check)
        if check.not_finite:
            problems.append(f"{group[0].path}: {check.not_finite} samples are not numbers; read as silence")
    hits += _together(mic_hits)
    if take.tracks and not records and not problems:
        problems.append("no note found: silence, or nothing above the floor")
    elif records and heard_on and heard_on.mic != judge_mic:
        problems.append(f"measured on {heard_on.mic}: {judge_mic} is not there, or holds no note")
    return TakeRecord(
        name=take.name, fingerprint=fingerprint(take, judge_mic, a4_hz, encoder), duration_s=duration_s or None,
        instrument=take.meant.instrument, articulation=take.meant.articulation, dynamic=take.meant.dynamic,
        remark=take.meant.remark, expected_pitches=take.meant.pitches, repetitions=take.meant.repetitions,
        problem="; ".join(problems) or None, listened=bool(tracks),
        tracks=tuple(_track_record(track) for track in take.tracks), notes=tuple(records),
        hits=tuple(_in_notes(sorted(hits, key=lambda h: (h.start_s, h.kind)), notes)), floors=tuple(floors),
        heard_on=heard_on.mic if heard_on else None,
    )  # fmt: skip


def _by_file(tracks: list[Track]) -> list[list[Track]]:
    """Tracks grouped by the file they are in, the judging microphone's file first and first in it."""
    files: dict[str, list[Track]] = {}
    for track in tracks:
        files.setdefault(track.path, []).append(track)
    return list(files.values())


def _frames(group: list[Track], folder: Path) -> tuple[np.ndarray, SampleCheck]:
    """Return the frames (channel, mel, frame) of one file's tracks and what its samples showed, in one pass."""
    rate_hz = group[0].facts.sample_rate_hz
    check = SampleCheck(rate_hz, len(group))

    def watched() -> Iterator[np.ndarray]:
        for block in wav.blocks(folder / group[0].path, [t.channel for t in group], BLOCK_S):
            check.add(block)
            yield block

    parts = list(LogMel(rate_hz).frames(watched()))
    if not parts:
        return np.full((len(group), 80, 1), -120.0, np.float32), check
    return np.concatenate(parts, axis=2), check


def _notes(track: Track, folder: Path, frames: np.ndarray) -> list[Note]:
    def span(start_s: float, end_s: float) -> np.ndarray:
        samples = wav.read_span(folder / track.path, track.channel, start_s, end_s)
        return np.nan_to_num(samples, nan=0.0, posinf=0.0, neginf=0.0)

    return find_notes(frames, span, track.facts.sample_rate_hz)[0]


def _measured(judged: _Judged, notes: list[Note], encoder: Encoder, meant_hz: list[float]) -> list[NoteRecord]:
    track, folder, frames = judged.track, judged.folder, judged.frames
    vectors = encoder.embed(frames, notes)
    take_s = frames.shape[1] * HOP_S
    records = []
    for number, (note, vector) in enumerate(zip(notes, vectors, strict=True), 1):
        samples = wav.read_span(folder / track.path, track.channel, *window(note, take_s))
        quiet_dbfs = gap_dbfs(frames, note, notes[number - 2] if number > 1 else None)
        found = measure(samples, track.facts.sample_rate_hz, note, quiet_dbfs, meant_hz)
        records.append(NoteRecord(
            number, note.start_s, note.end_s, note.ring_end_s,
            measurements=found | {"noise_floor_dbfs": quiet_dbfs}, embeddings={encoder.name: vector},
        ))  # fmt: skip
    return records


def gap_dbfs(frames: np.ndarray, note: Note, before: Note | None) -> float:
    """Return the quietest 0.1 s of the gap before a note, all bands together, in dB re full scale."""
    first = round((before.end_s if before else 0.0) / HOP_S)
    last = max(first + 1, round((note.start_s - 0.03) / HOP_S))
    power = (10 ** (frames[:, first:last] / 10)).sum(axis=0)
    if not len(power):
        return float("nan")
    return float(10 * np.log10(ndimage.uniform_filter1d(power, 10, mode="nearest").min() + 1e-12)) - BANDS_OVER_RMS_DB


def _floor(
    track: Track, frames: np.ndarray, notes: list[Note], reference: tuple[Track | None, Path]
) -> FloorRecord:
    """Return a microphone's background, its level under the notes, and how it follows the judging one."""
    quiet_dbfs = _total_db(floor_db(frames))
    power = (10 ** (frames / 10)).sum(axis=0)
    under = [power[round(n.start_s / HOP_S) : round(n.end_s / HOP_S)] for n in notes]
    levels = [10 * np.log10(part.mean()) - BANDS_OVER_RMS_DB for part in under if len(part)]
    note_dbfs = float(np.median(levels)) if levels else None
    judged, folder = reference
    if judged is None or judged == track or judged.facts.sample_rate_hz != track.facts.sample_rate_hz:
        return FloorRecord(track.mic, quiet_dbfs, note_dbfs=note_dbfs)
    pairs = []
    for note in notes[:MATCHED]:
        spans = [
            np.nan_to_num(samples, nan=0.0, posinf=0.0, neginf=0.0)
            for samples in (
                wav.read_span(folder / t.path, t.channel, note.start_s - 0.1, note.start_s + 0.5)
                for t in (judged, track)
            )
        ]
        shared = min(map(len, spans))
        pairs.append((spans[0][:shared], spans[1][:shared]))
    found = match(pairs, track.facts.sample_rate_hz)
    return FloorRecord(track.mic, quiet_dbfs, found.lag_s, found.sign, found.clear, note_dbfs)


def _total_db(bands_db: np.ndarray) -> float:
    return float(10 * np.log10((10 ** (bands_db / 10)).sum())) - BANDS_OVER_RMS_DB


def _technical(group: list[Track], check: SampleCheck) -> list[HitRecord]:
    """Return dropouts, digital clicks, clipped runs and dead tracks as hits, fully exposed."""
    found = [("dropout", h.start_s, h.end_s, h.channel) for h in check.holes()]
    found += [("click", h.start_s, h.end_s, h.channel) for h in check.clicks()]
    found += [("dropout", at_s, at_s + 0.005, channel) for at_s, channel in check.not_numbers_s]
    found += [("clipped", at_s, at_s + 0.005, channel) for at_s, channel in check.clipped_s]
    take_s = check.samples / check.rate_hz
    found += [("dead-track", 0.0, take_s, channel) for channel in check.dead_channels()]
    return [
        HitRecord(kind, start_s, end_s, group[channel].mic, (group[channel].mic,), None, None, 1.0)
        for kind, start_s, end_s, channel in found
    ]


def _together(hits: list[Hit]) -> list[HitRecord]:
    """Join the hits of several microphones at the same moment; the loudest names the kind and the place."""
    joined: list[HitRecord] = []
    group: list[Hit] = []
    for hit in sorted(hits, key=lambda h: h.start_s):
        if group and hit.start_s > max(h.end_s for h in group) + SAME_MOMENT_S:
            joined.append(_one(group))
            group = []
        group.append(hit)
    return [*joined, _one(group)] if group else joined


def _one(group: list[Hit]) -> HitRecord:
    loudest = max(group, key=lambda h: (h.level_dbfs, h.mic))
    mics = tuple(dict.fromkeys(h.mic for h in sorted(group, key=lambda h: -h.level_dbfs)))
    return HitRecord(
        loudest.kind, min(h.start_s for h in group), max(h.end_s for h in group), loudest.mic, mics,
        loudest.level_dbfs, max(h.over_floor_db for h in group), max(h.exposed for h in group),
    )  # fmt: skip


def _in_notes(hits: list[HitRecord], notes: list[Note]) -> list[HitRecord]:
    """Give each hit the number of the note that it is in or after."""
    starts = np.array([note.start_s for note in notes])
    numbered = []
    for hit in hits:
        before = int((starts <= hit.end_s).sum())
        numbered.append(HitRecord(**{**vars(hit), "note": before or None}))
    return numbered


def _track_record(track: Track) -> TrackRecord:
    facts = track.facts
    return TrackRecord(track.mic, track.path, track.channel, facts.sample_rate_hz, facts.bit_depth, facts.frames,
                       facts.size_bytes, facts.mtime_ns, facts.problem)
