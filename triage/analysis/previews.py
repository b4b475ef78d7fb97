"""Drawing: the previews of a take's tracks and the digest of its sound, from what listening has at hand anyway.

The microphone that the notes were cut on is drawn finely, with its notes' pitch; the others coarsely.
"""

import hashlib
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from triage.domain.preview import Preview
from triage.intake import wav
from triage.intake.arrivals import TrackFile
from triage.listen.notes import NoteSegment
from triage.listen.preview import Course, Sketch, band_edges_hz, course, pack_courses, picture

FINE, COARSE = (2, 1), (6, 2)  # frames and mel bands that share a pixel


class Drawing:
    """Collects what is drawn of one take, file by file."""

    def __init__(self) -> None:
        self._previews: dict[str, Preview] = {}
        self._digests: dict[str, str] = {}

    def add(self, group: Sequence[TrackFile], frames: np.ndarray, sketch: Sketch, heard_on: TrackFile | None) -> None:
        """Add one file's tracks: their frames (channel, mel, frame) and their sketch."""
        low_hz, high_hz = band_edges_hz(sketch.rate_hz)
        for channel, track in enumerate(group):
            outline = sketch.outline(channel)
            drawn = picture(frames[channel], *(FINE if track == heard_on else COARSE))
            self._digests[track.mic] = sketch.digest(channel)
            self._previews[track.mic] = Preview(
                track.mic, outline.packed, outline.hop_s, drawn.png, drawn.hop_s, low_hz, high_hz
            )

    def previews(
        self, heard_on: TrackFile | None, folder: Path, notes: Sequence[NoteSegment], a4_hz: float
    ) -> tuple[Preview, ...]:
        """Return the previews, the notes' pitch with the microphone that they were cut on."""
        if heard_on is not None and notes and heard_on.mic in self._previews:
            packed = courses(heard_on, folder, notes, a4_hz)
            self._previews[heard_on.mic] = replace(self._previews[heard_on.mic], courses=packed)
        return tuple(self._previews.values())

    @property
    def sound(self) -> str | None:
        """One digest of all samples that were read, microphone by microphone; None where there were none."""
        if not self._digests:
            return None
        text = repr(sorted(self._digests.items()))
        return hashlib.sha256(text.encode("utf-8", "backslashreplace")).hexdigest()[:32]


def courses(track: TrackFile, folder: Path, notes: Sequence[NoteSegment], a4_hz: float) -> bytes:
    """Return the packed pitch courses of a take's notes, read again note by note."""
    rate_hz = track.facts.sample_rate_hz
    spans = (wav.read_span(folder / track.path, track.channel, note.start_s, note.end_s) for note in notes)
    found = [
        Course(number, note.start_s, course(samples, rate_hz, a4_hz))
        for number, (note, samples) in enumerate(zip(notes, spans, strict=True), 1)
    ]
    return pack_courses(found)
