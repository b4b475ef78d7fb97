"""The track that a take is measured on: its frames cut into notes, each measured and embedded."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

import numpy as np
from scipy import ndimage

from triage.analysis.encoding import encode
from triage.domain.note import Note
from triage.domain.pitch import midi_to_hz
from triage.intake import wav
from triage.intake.arrivals import TakeFiles, TrackFile
from triage.listen.embed import Encoder
from triage.listen.logmel import BANDS_OVER_RMS_DB, HOP_S, finite, power_of
from triage.listen.measure import measure_and_follow, window
from triage.listen.mics import Reference
from triage.listen.notes import NoteSegment, find_notes
from triage.listen.pitch import PitchTrack
from triage.listen.spurious_notes import without_bursts, without_spurious

MATCHED_NOTES = 12  # first notes of a take, over whose attacks other tracks are matched with this one


@dataclass(frozen=True)
class MeasuredTrack:
    """A track and its notes: where each sounds (``segments``), what was measured of it (``notes``), its pitch."""

    track: TrackFile
    folder: Path
    segments: list[NoteSegment]
    notes: list[Note]
    pitches: list[PitchTrack | None]  # of each note, from ``window`` on

    def attacks_on(self, track: TrackFile) -> list[np.ndarray]:
        """Return what another track holds around the starts of the first notes, by which tracks are matched."""
        starts_s = [segment.start_s for segment in self.segments[:MATCHED_NOTES]]
        spans = (wav.read_span(self.folder / track.path, track.channel, s - 0.1, s + 0.5) for s in starts_s)
        return [finite(span) for span in spans]

    @cached_property
    def attacks(self) -> Reference:
        """The attacks of this track, transformed once for all others."""
        return Reference(self.attacks_on(self.track), self.track.facts.sample_rate_hz)


def measured_track(
    tracks: Sequence[TrackFile], frames: np.ndarray, take: TakeFiles, folder: Path, a4_hz: float, encoder: Encoder
) -> MeasuredTrack:
    """Return the first of the tracks that holds notes, with its notes; the first one without any where none does.

    Parameters
    ----------
    tracks : sequence of TrackFile
        Of one file.
    frames : ndarray, shape (channel, mel, frame)
    """
    expected = len(take.sheet_row.pitches) * max(take.sheet_row.repetitions or 1, 1)
    pitches_hz = [midi_to_hz(pitch, a4_hz) for pitch in sorted(set(take.sheet_row.pitches))]
    for track, own in zip(tracks, frames, strict=True):
        if segments := _segments(track, folder, own, expected, min(pitches_hz, default=0.0)):
            notes, pitches = _measured_notes(track, folder, own, segments, encoder, pitches_hz)
            kept = without_bursts(notes, expected)
            at = [note.number - 1 for note in kept]
            segments, pitches = [segments[k] for k in at], [pitches[k] for k in at]
            notes = [replace(note, number=number) for number, note in enumerate(kept, 1)]
            return MeasuredTrack(track, folder, segments, notes, pitches)
    return MeasuredTrack(tracks[0], folder, [], [], [])


def gap_dbfs(frames: np.ndarray, note: NoteSegment, before: NoteSegment | None) -> float:
    """Return the quietest 0.1 s of the gap before a note, all bands together, in dB re full scale."""
    first = round((before.end_s if before else 0.0) / HOP_S)
    last = max(first + 1, round((note.start_s - 0.03) / HOP_S))
    power = power_of(frames[:, first:last]).sum(axis=0)
    if not len(power):
        return float("nan")
    return float(10 * np.log10(ndimage.uniform_filter1d(power, 10, mode="nearest").min() + 1e-12)) - BANDS_OVER_RMS_DB


def _segments(
    track: TrackFile, folder: Path, frames: np.ndarray, expected: int, lowest_hz: float
) -> list[NoteSegment]:
    def span(start_s: float, end_s: float) -> np.ndarray:
        samples = wav.read_span(folder / track.path, track.channel, start_s, end_s)
        return np.nan_to_num(samples, nan=0.0, posinf=0.0, neginf=0.0)

    notes, _ = find_notes(frames, span, track.facts.sample_rate_hz, lowest_hz)
    return without_spurious(frames, notes, expected)


def _measured_notes(
    track: TrackFile,
    folder: Path,
    frames: np.ndarray,
    segments: list[NoteSegment],
    encoder: Encoder,
    pitches_hz: list[float],
) -> tuple[list[Note], list[PitchTrack | None]]:
    take_s = frames.shape[1] * HOP_S
    notes, pitches = [], []
    before = [None, *segments[:-1]]
    for number, (note, last, vectors) in enumerate(
        zip(segments, before, encode(encoder, frames, segments), strict=True), 1
    ):
        samples = wav.read_span(folder / track.path, track.channel, *window(note, take_s))
        quiet_dbfs = gap_dbfs(frames, note, last)
        measured, errors, pitch = measure_and_follow(
            samples, track.facts.sample_rate_hz, note, quiet_dbfs, pitches_hz
        )
        measured |= {"noise_floor_dbfs": quiet_dbfs}
        span = (note.start_s, note.end_s, note.ring_end_s)
        notes.append(Note(number, *span, measurements=measured, errors=errors, embeddings=vectors))
        pitches.append(pitch)
    return notes, pitches
