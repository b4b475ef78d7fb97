"""One take analysed: its files in, one Take out, with notes, measurements, hits, embeddings.

Every file is read once in blocks for the frames and the sample checks (``file_pass.py``); the notes are then read
again from the measured microphone, note by note. At most a few microphones' frames and one note are held at once.
"""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from triage.analysis.encoding import encoder_in_use
from triage.analysis.file_pass import FilePass, read_files
from triage.analysis.fingerprint import fingerprint
from triage.analysis.floors import beside_notes, frame_power, noise_floor
from triage.analysis.measured_track import MeasuredTrack, measured_track
from triage.analysis.noise_hits import NoiseHits
from triage.analysis.previews import Previews
from triage.domain.take import NoiseFloor, Take, Track
from triage.intake.arrivals import TakeFiles, TrackFile
from triage.intake.recording_time import recorded_at
from triage.listen.embed import Encoder
from triage.listen.noise_network import NoiseDetector


def analyse_take(
    take: TakeFiles,
    folder: Path,
    reference_mic: str,
    a4_hz: float,
    encoder: Encoder | None = None,
    detector: NoiseDetector | None = None,
    read_ahead: int = 1,
) -> Take:
    """Analyse one take; what cannot be read is named in its ``problem``, and the rest goes on.

    Parameters
    ----------
    take : TakeFiles
    folder : Path
        That the paths of its files begin in.
    reference_mic : str
        The microphone that the notes are measured on, where it is there and holds any.
    a4_hz : float
    encoder, detector
        In place of the shipped ones.
    read_ahead : int
        Threads that read files; 1: none, each file is read when it is its turn.
    """
    encoder = encoder or encoder_in_use()
    take = replace(take, tracks=tuple(sorted(take.tracks, key=lambda t: t.mic != reference_mic)))
    analysis = _TakeAnalysis(take, folder, a4_hz, encoder, detector)
    for tracks, found in read_files(take.tracks, folder, read_ahead):
        analysis.add(tracks, found)
    return analysis.result(reference_mic)


class _TakeAnalysis:
    """A take's analysis so far; ``add`` takes one file after another, the reference microphone's first."""

    def __init__(
        self, take: TakeFiles, folder: Path, a4_hz: float, encoder: Encoder, detector: NoiseDetector | None
    ) -> None:
        self.take, self.folder, self.a4_hz, self.encoder = take, folder, a4_hz, encoder
        self.measured: MeasuredTrack | None = None
        self.floors: list[NoiseFloor] = []
        self.before_notes: list[tuple[TrackFile, np.ndarray]] = []  # read before any note was found: power by frame
        self.previews, self.noises = Previews(), NoiseHits(detector)
        self.problems: list[str] = []
        self.silent: set[str] = set()  # microphones
        self.unread: list[str] = []  # files that may be whole when they are read again
        self.duration_s = 0.0

    def add(self, tracks: Sequence[TrackFile], found: FilePass | Exception) -> None:
        """Add what one pass over a file found in its tracks, or why it could not be read."""
        if isinstance(found, Exception):
            self.problems.append(f"{tracks[0].path}: {found}")
            self.unread.append(tracks[0].path)
            return
        self.duration_s = max(self.duration_s, found.check.samples / found.check.rate_hz)
        if self.measured is None or not self.measured.notes:  # or the next one where that one holds no note
            self.measured = measured_track(tracks, found.frames, self.take, self.folder, self.a4_hz, self.encoder)
        self._add_floors(tracks, found, self.measured)
        self.previews.add(tracks, found.frames, found.sketch, self.measured.track)
        self.silent |= {tracks[channel].mic for channel in found.check.dead_channels()}
        self.noises.add(tracks, found.frames, self.measured.segments, found.check, found.hum)
        if found.check.not_finite:
            self.problems.append(
                f"{tracks[0].path}: {found.check.not_finite} samples are not numbers; read as silence"
            )

    def _add_floors(self, tracks: Sequence[TrackFile], found: FilePass, measured: MeasuredTrack) -> None:
        """Add the floors of tracks; those read before any note was found are completed once there are notes."""
        if measured.notes and self.before_notes:
            earlier = zip(self.floors, self.before_notes, strict=True)
            self.floors = [beside_notes(floor, track, power, measured) for floor, (track, power) in earlier]
            self.before_notes = []
        for track, frames, background in zip(tracks, found.frames, found.backgrounds, strict=True):
            self.floors.append(noise_floor(track, frames, background, measured))
            if not measured.notes:
                self.before_notes.append((track, frame_power(frames)))

    def result(self, reference_mic: str) -> Take:
        """Return the take with everything that was found in it."""
        take, row, measured = self.take, self.take.sheet_row, self.measured
        changed = changed_files(take, self.folder)
        at, clock = recorded_at({track.path: track.facts for track in take.tracks}.values())
        segments = measured.segments if measured else []
        as_read = fingerprint(take, reference_mic, self.a4_hz, self.encoder.name)
        return Take(
            name=take.name,
            fingerprint="" if self.unread or changed else as_read,
            duration_s=self.duration_s or None,
            instrument=row.instrument,
            articulation=row.articulation,
            dynamic=row.dynamic,
            remark=row.remark,
            expected_pitches=row.pitches,
            repetitions=row.repetitions,
            problem="; ".join(dict.fromkeys((*self.problems, *self._remarks(reference_mic, changed)))) or None,
            analysed=bool(take.tracks),
            tracks=tuple(_stored_track(track, self._digest(track.mic)) for track in take.tracks),
            notes=tuple(measured.notes) if measured else (),
            hits=self.noises.hits(take.tracks, self.folder, segments, self.floors, self.duration_s),
            floors=tuple(self.floors),
            measured_mic=measured.track.mic if measured else None,
            setup=row.setup or None,
            without_natural_sounds=row.natural_sounds == "none",
            recorded_at=at,
            recorded_from=clock,
            audio_digest=self.previews.audio_digest,
            previews=self.previews.result(measured, self.a4_hz),
        )

    def _digest(self, mic: str) -> str | None:
        return None if mic in self.silent else self.previews.track_digests.get(mic)

    def _remarks(self, reference_mic: str, changed: Iterable[str]) -> list[str]:
        remarks = [f"{path}: changed while it was read; taken in again it is analysed anew" for path in changed]
        if self.take.tracks and not (self.measured and self.measured.notes):
            return remarks if self.problems else ["no note found: silence, or nothing above the floor", *remarks]
        if self.measured and self.measured.track.mic != reference_mic:
            measured_on = f"measured on {self.measured.track.mic}: {reference_mic} is not there, or holds no note"
            return [measured_on, *remarks]
        return remarks


def changed_files(take: TakeFiles, folder: Path) -> list[str]:
    """Return the files of a take that are no longer what they were when the arrivals were checked."""
    then = {track.path: (track.facts.size_bytes, track.facts.mtime_ns) for track in take.tracks}
    return [path for path, known in then.items() if _size_and_time(folder / path) not in (known, None)]


def _size_and_time(path: Path) -> tuple[int, int] | None:
    try:
        status = path.stat()
    except OSError:
        return None
    return status.st_size, status.st_mtime_ns


def _stored_track(track: TrackFile, audio_digest: str | None) -> Track:
    facts = track.facts
    known = ("sample_rate_hz", "bit_depth", "frames", "size_bytes", "mtime_ns", "problem")
    values = {name: getattr(facts, name) for name in known}
    return Track(track.mic, track.path, track.channel, **values, audio_digest=audio_digest)
