"""Cue markers beside a recording: a small WAV of its own that holds places and names, and almost no sound.

In: a path, a sample rate in Hz, markers in sample frames of the recording that they belong to. Out: a RIFF file with
fmt, cue, LIST adtl (labl, ltxt), LIST INFO and a data chunk of 8-bit silence: one frame, or as long as the recording
for tools that drop markers behind the end of the data. The recording itself is never opened here.

Sources: Microsoft and IBM, Multimedia Programming Interface and Data Specifications 1.0, 1991 (cue, adtl, INFO).
"""

import struct
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from triage.domain.errors import AudioError
from triage.intake.chunks import read_content, read_layout

MAKER = b"take triage"  # in LIST INFO: by this a file of ours is known again and may be replaced
SILENCE = b"\x80"  # 8-bit samples are unsigned
MOST_FRAMES = 0xFFFFFFFF - 65_536 * 64  # what a 32-bit size can still hold, with room for the markers


@dataclass(frozen=True)
class Marker:
    """A place in a recording: first frame, length in frames (0 for a point), name."""

    frame: int
    frames: int
    name: str


def cue_bytes(rate_hz: int, markers: Sequence[Marker], silent_frames: int = 1) -> bytes:
    """Return a whole sidecar file: markers in order of frame, and ``silent_frames`` >= 1 (readers overlook none).

    AudioError if a marker lies before the start, or a number does not fit into 32 bits.
    """
    if not 0 < rate_hz <= 0xFFFFFFFF or not 1 <= silent_frames <= MOST_FRAMES:
        raise AudioError(f"cue file of {silent_frames} frames at {rate_hz} Hz; a WAV holds 1 to {MOST_FRAMES} frames")
    ordered = sorted(markers, key=lambda marker: (marker.frame, marker.name))
    for marker in ordered:
        if not (0 <= marker.frame <= 0xFFFFFFFF and 0 <= marker.frames <= 0xFFFFFFFF):
            raise AudioError(f"marker {marker.name!r} at frame {marker.frame}: outside of what a cue chunk can hold")
    points = b"".join(
        struct.pack("<II4sIII", number, m.frame, b"data", 0, 0, m.frame) for number, m in enumerate(ordered, 1)
    )
    body = b"WAVE" + _chunk(b"fmt ", struct.pack("<HHIIHH", 1, 1, rate_hz, rate_hz, 1, 8))
    body += _chunk(b"cue ", struct.pack("<I", len(ordered)) + points)
    body += _chunk(b"LIST", b"adtl" + b"".join(_texts(ordered)))
    body += _chunk(b"LIST", b"INFO" + _chunk(b"ISFT", MAKER + b"\0"))
    return _chunk(b"RIFF", body + _chunk(b"data", SILENCE * silent_frames))


def write_cue_file(path: Path, rate_hz: int, markers: Sequence[Marker], silent_frames: int = 1) -> None:
    """Write a sidecar file into a folder that is there; one of ours is replaced, AudioError for anything else."""
    content = cue_bytes(rate_hz, markers, silent_frames)
    try:
        if path.exists() and not is_ours(path):
            raise AudioError(f"{path}: is there and is no cue file of this tool; it stays, name another folder")
        path.write_bytes(content)
    except OSError as error:
        raise AudioError(f"{path}: cannot be written ({error.strerror}); name another folder") from None


def is_ours(path: Path) -> bool:
    """Tell whether a file is a sidecar that this tool wrote."""
    layout = read_layout(path)
    lists = [chunk for chunk in layout.chunks if chunk.ident == b"LIST"] if layout else []
    heads = [read_content(path, chunk, 64) for chunk in lists]
    return any(head[:4] == b"INFO" and MAKER in head for head in heads)


def _texts(markers: Sequence[Marker]) -> Iterable[bytes]:
    for number, marker in enumerate(markers, 1):
        yield _chunk(b"labl", struct.pack("<I", number) + marker.name.encode() + b"\0")
    for number, marker in enumerate(markers, 1):
        if marker.frames:  # ID, length, purpose, country, language, dialect, code page
            yield _chunk(b"ltxt", struct.pack("<II4sHHHH", number, marker.frames, b"rgn ", 0, 0, 0, 0))


def _chunk(ident: bytes, content: bytes) -> bytes:
    return struct.pack("<4sI", ident, len(content)) + content + b"\0" * (len(content) % 2)
