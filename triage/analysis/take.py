"""One take's way through the house: its files in, one Take out, with notes, measurements, hits, embeddings.

Every file is read once in blocks for the frames and the sample checks (``file_pass.py``); the judging microphone's
notes are then read again, note by note. Nothing larger than a few microphones' frames and one note's samples is held.
"""

import hashlib
from functools import cache
from pathlib import Path
from typing import NamedTuple

import numpy as np
from scipy import ndimage

from triage.analysis.encoding import encode, encoder_in_use
from triage.analysis.file_pass import passes
from triage.analysis.noise_hits import Noises
from triage.analysis.previews import Drawing
from triage.domain.code_key import code_key
from triage.domain.note import Note
from triage.domain.pitch import midi_to_hz
from triage.domain.take import NoiseFloor, Take, Track
from triage.intake import wav
from triage.intake.arrivals import TakeFiles, TrackFile
from triage.intake.recording_time import recorded_at
from triage.listen.background import Background
from triage.listen.embed import Encoder
from triage.listen.logmel import BANDS_OVER_RMS_DB, HOP_S, finite, power_of
from triage.listen.measure import measure, window
from triage.listen.mics import Reference, match
from triage.listen.noise_network import NoiseDetector, detector_name
from triage.listen.notes import NoteSegment, find_notes, floor_db
from triage.listen.spurious_notes import without_strays

MATCHED = 12  # notes that a track is matched with the judging one over


class _Judged(NamedTuple):
    track: TrackFile
    folder: Path
    frames: np.ndarray  # (mel, frame)


@cache
def analysis_key() -> str:
    """Return a key of the code and the noise network: with another one all takes are analysed anew."""
    own = code_key("triage.analysis", "triage.listen", "triage.intake.wav", "triage.intake.recording_time")
    return f"{own} {detector_name()}"


def fingerprint(take: TakeFiles, judge_mic: str, a4_hz: float, encoder: Encoder | None = None) -> str:
    """Return a text that changes when a file of the take, its row, or the way of listening changes."""
    encoder = encoder or encoder_in_use()
    parts = [analysis_key(), judge_mic, f"{a4_hz:g}", encoder.name, repr(take.meant)]
    parts += [f"{t.mic} {t.path} {t.channel} {t.facts.size_bytes} {t.facts.mtime_ns}" for t in take.tracks]
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()[:32]


def listen_take(
    take: TakeFiles,
    folder: Path,
    judge_mic: str,
    a4_hz: float,
    encoder: Encoder | None = None,
    detector: NoiseDetector | None = None,
) -> Take:
    """Listen to one take; what cannot be read is said in its ``problem``, and the rest goes on.

    ``encoder`` and ``detector`` stand for the shipped ones.
    """
    encoder = encoder or encoder_in_use()
    tracks = sorted(take.tracks, key=lambda t: t.mic != judge_mic)
    problems: list[str] = []
    unsure: list[str] = []  # files that may be whole when they are read again
    notes: list[NoteSegment] = []
    records: list[Note] = []
    heard_on, floors, duration_s = None, [], 0.0
    drawing, noises = Drawing(), Noises(detector)
    for group, heard in passes(tracks, folder):
        if isinstance(heard, Exception):
            problems.append(f"{group[0].path}: {heard}")
            unsure.append(group[0].path)
            continue
        frames, check, quiet, hum, sketch = heard
        duration_s = max(duration_s, check.samples / check.rate_hz)
        if not records:  # the judging microphone, or the next one where that one holds no note
            meant = len(take.meant.pitches) * max(take.meant.repetitions or 1, 1)
            found = ((_Judged(t, folder, f), _notes(t, folder, f, meant)) for t, f in zip(group, frames, strict=True))
            none = _Judged(group[0], folder, frames[0]), list[NoteSegment]()
            judged, notes = next(((one, own) for one, own in found if own), none)
            meant_hz = [midi_to_hz(pitch, a4_hz) for pitch in sorted(set(take.meant.pitches))]
            heard_on, records = judged.track, _measured(judged, notes, encoder, meant_hz)
            attacks = Reference(_attacks(heard_on, folder, notes), heard_on.facts.sample_rate_hz)
        for channel, track in enumerate(group):
            floors.append(_floor(track, frames[channel], notes, (heard_on, folder, attacks), quiet[channel]))
        drawing.add(group, frames, sketch, heard_on)
        noises.add(group, frames, notes, check, hum)
        if check.not_finite:
            problems.append(f"{group[0].path}: {check.not_finite} samples are not numbers; read as silence")
    if take.tracks and not records and not problems:
        problems.append("no note found: silence, or nothing above the floor")
    elif records and heard_on and heard_on.mic != judge_mic:
        problems.append(f"measured on {heard_on.mic}: {judge_mic} is not there, or holds no note")
    unsure += (changed := _changed(take, folder))
    problems += [f"{path}: changed while it was read; taken in again it is heard anew" for path in changed]
    at, clock = recorded_at({track.path: track.facts for track in take.tracks}.values())
    return Take(
        name=take.name,
        fingerprint="" if unsure else fingerprint(take, judge_mic, a4_hz, encoder),
        duration_s=duration_s or None,
        instrument=take.meant.instrument,
        articulation=take.meant.articulation,
        dynamic=take.meant.dynamic,
        remark=take.meant.remark,
        expected_pitches=take.meant.pitches,
        repetitions=take.meant.repetitions,
        problem="; ".join(dict.fromkeys(problems)) or None,
        listened=bool(tracks),
        tracks=tuple(_track_record(track) for track in take.tracks),
        notes=tuple(records),
        hits=noises.records(tracks, folder, notes, floors, duration_s),
        floors=tuple(floors),
        heard_on=heard_on.mic if heard_on else None,
        setup=take.meant.setup or None,
        recorded_at=at,
        recorded_from=clock,
        sound=drawing.sound,
        previews=drawing.previews(heard_on, folder, notes, a4_hz),
    )


def _changed(take: TakeFiles, folder: Path) -> list[str]:
    """Return the files that are no longer what they were when the roll was called."""
    then = {track.path: (track.facts.size_bytes, track.facts.mtime_ns) for track in take.tracks}
    return [path for path, looks in then.items() if _looks(folder / path) not in (looks, None)]


def _looks(path: Path) -> tuple[int, int] | None:
    try:
        status = path.stat()
    except OSError:
        return None
    return status.st_size, status.st_mtime_ns


def _notes(track: TrackFile, folder: Path, frames: np.ndarray, meant: int) -> list[NoteSegment]:
    def span(start_s: float, end_s: float) -> np.ndarray:
        samples = wav.read_span(folder / track.path, track.channel, start_s, end_s)
        return np.nan_to_num(samples, nan=0.0, posinf=0.0, neginf=0.0)

    return without_strays(frames, find_notes(frames, span, track.facts.sample_rate_hz)[0], meant)


def _measured(judged: _Judged, notes: list[NoteSegment], encoder: Encoder, meant_hz: list[float]) -> list[Note]:
    track, folder, frames = judged.track, judged.folder, judged.frames
    encoded = encode(encoder, frames, notes)
    take_s = frames.shape[1] * HOP_S
    records = []
    for number, (note, embeddings) in enumerate(zip(notes, encoded, strict=True), 1):
        samples = wav.read_span(folder / track.path, track.channel, *window(note, take_s))
        quiet_dbfs = gap_dbfs(frames, note, notes[number - 2] if number > 1 else None)
        found = measure(samples, track.facts.sample_rate_hz, note, quiet_dbfs, meant_hz)
        records.append(
            Note(
                number,
                note.start_s,
                note.end_s,
                note.ring_end_s,
                measurements=found | {"noise_floor_dbfs": quiet_dbfs},
                embeddings=embeddings,
            )
        )
    return records


def gap_dbfs(frames: np.ndarray, note: NoteSegment, before: NoteSegment | None) -> float:
    """Return the quietest 0.1 s of the gap before a note, all bands together, in dB re full scale."""
    first = round((before.end_s if before else 0.0) / HOP_S)
    last = max(first + 1, round((note.start_s - 0.03) / HOP_S))
    power = power_of(frames[:, first:last]).sum(axis=0)
    if not len(power):
        return float("nan")
    return float(10 * np.log10(ndimage.uniform_filter1d(power, 10, mode="nearest").min() + 1e-12)) - BANDS_OVER_RMS_DB


def _attacks(track: TrackFile, folder: Path, notes: list[NoteSegment]) -> list[np.ndarray]:
    """Return the stretches around the first notes' starts, by which tracks are matched."""
    return [
        finite(wav.read_span(folder / track.path, track.channel, note.start_s - 0.1, note.start_s + 0.5))
        for note in notes[:MATCHED]
    ]


def _floor(
    track: TrackFile,
    frames: np.ndarray,
    notes: list[NoteSegment],
    reference: tuple[TrackFile | None, Path, Reference],
    quiet: Background,
) -> NoiseFloor:
    """Return a microphone's background, its level under the notes, and how it follows the judging one."""
    quiet_dbfs = _total_db(floor_db(frames))
    power = power_of(frames).sum(axis=0)
    under = [power[round(n.start_s / HOP_S) : round(n.end_s / HOP_S)] for n in notes]
    levels = [10 * np.log10(part.mean()) - BANDS_OVER_RMS_DB for part in under if len(part)]
    note_dbfs = float(np.median(levels)) if levels else None
    judged, folder, attacks = reference
    if judged is None or judged == track or judged.facts.sample_rate_hz != track.facts.sample_rate_hz:
        return NoiseFloor(track.mic, quiet_dbfs, None, None, None, note_dbfs, quiet.a_dbfs, quiet.octaves_dbfs)
    spans = _attacks(track, folder, notes)
    if [len(span) for span in spans] == attacks.lengths:
        found = attacks.match(spans)
    else:  # one file is shorter: both are cut to what they share
        both = zip(_attacks(judged, folder, notes), spans, strict=True)
        pairs = [(a[: min(len(a), len(b))], b[: min(len(a), len(b))]) for a, b in both]
        found = match(pairs, track.facts.sample_rate_hz)
    return NoiseFloor(
        track.mic, quiet_dbfs, found.lag_s, found.sign, found.clear, note_dbfs, quiet.a_dbfs, quiet.octaves_dbfs
    )


def _total_db(bands_db: np.ndarray) -> float:
    return float(10 * np.log10((10 ** (bands_db / 10)).sum())) - BANDS_OVER_RMS_DB


def _track_record(track: TrackFile) -> Track:
    facts = track.facts
    return Track(
        track.mic,
        track.path,
        track.channel,
        facts.sample_rate_hz,
        facts.bit_depth,
        facts.frames,
        facts.size_bytes,
        facts.mtime_ns,
        facts.problem,
    )
