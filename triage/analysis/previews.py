"""The previews of a take's tracks and the digest of its sound, from data that the analysis has at hand anyway.

The measured microphone gets a fine spectrogram and its notes' pitch; the others get a coarse one.
"""

import hashlib
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from triage.analysis.measured_track import MeasuredTrack
from triage.domain.preview import Preview
from triage.intake.arrivals import TrackFile
from triage.listen.measure import LEAD_S
from triage.listen.preview import Contour, Sketch, band_edges_hz, compress_contours, contour, spectrogram

FINE, COARSE = (2, 1), (6, 2)  # frames and mel bands that share a pixel


class Previews:
    """Collects the previews of one take, file by file."""

    def __init__(self) -> None:
        self._previews: dict[str, Preview] = {}
        self._digests: dict[str, str] = {}

    def add(self, group: Sequence[TrackFile], frames: np.ndarray, sketch: Sketch, measured: TrackFile) -> None:
        """Add one file's tracks: their frames (channel, mel, frame) and their sketch."""
        low_hz, high_hz = band_edges_hz(sketch.rate_hz)
        for channel, track in enumerate(group):
            outline = sketch.outline(channel)
            image = spectrogram(frames[channel], *(FINE if track == measured else COARSE))
            self._digests[track.mic] = sketch.digest(channel)
            self._previews[track.mic] = Preview(
                track.mic, outline.compressed, outline.hop_s, image.png, image.hop_s, low_hz, high_hz
            )

    def result(self, measured: MeasuredTrack | None, a4_hz: float) -> tuple[Preview, ...]:
        """Return the previews, with the notes' pitch on the microphone that they were measured on."""
        if measured is not None and measured.segments and measured.track.mic in self._previews:
            mic = measured.track.mic
            self._previews[mic] = replace(self._previews[mic], contours=pitch_contours(measured, a4_hz))
        return tuple(self._previews.values())

    @property
    def track_digests(self) -> dict[str, str]:
        """A digest of each microphone's samples, of those that were read."""
        return dict(self._digests)

    @property
    def audio_digest(self) -> str | None:
        """One digest of all samples that were read, microphone by microphone; None where there were none."""
        if not self._digests:
            return None
        text = repr(sorted(self._digests.items()))
        return hashlib.sha256(text.encode("utf-8", "backslashreplace")).hexdigest()[:32]


def pitch_contours(measured: MeasuredTrack, a4_hz: float) -> bytes:
    """Return the compressed pitch contours of a take's notes, as the pitch was followed to measure them."""
    found = [
        Contour(number, note.start_s, contour(pitch, min(LEAD_S, note.start_s), note.end_s - note.start_s, a4_hz))
        for number, (note, pitch) in enumerate(zip(measured.segments, measured.pitches, strict=True), 1)
    ]
    return compress_contours(found)
