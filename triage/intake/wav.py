"""Samples of a recording, read in blocks or spans: never a whole session in memory.

In: a path to a WAV, RF64, BW64, AIFF or FLAC file, opened for reading only. Out: float32 arrays of shape
(channel, sample), full scale +-1, values as they are in the file: NaN, infinity and over full scale included.
soundfile's (frame, channel) is turned once, here; its "frame" is one sample of every channel.
"""

import io
import os
import struct
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile

from triage.domain.errors import AudioError
from triage.intake.chunks import UNKNOWN_SIZE, Layout, read_content, read_layout

# 40 tracks at 48 kHz: 77 MB a block.
BLOCK_S = 10.0
MOST_FMT_BYTES = 4_096


@dataclass(frozen=True)
class Format:
    """Format of a file as the audio library reads it: container, coding ('PCM_24', 'FLOAT' ...), rate, size."""

    container: str
    subtype: str
    sample_rate_hz: int
    channels: int
    frames: int

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.frames / self.sample_rate_hz


def read_format(path: Path) -> Format:
    """Return the format of a file without reading its samples; raises AudioError where it cannot be read.

    `frames` is what is there, or what a FLAC header promises; `check_file` finds the difference.
    """
    with _reading(path), opened(path) as file:
        return Format(file.format, file.subtype, file.samplerate, file.channels, file.frames)


def blocks(path: Path, channels: Sequence[int] | None = None, block_s: float = BLOCK_S) -> Iterator[np.ndarray]:
    """Yield a recording block by block, from its start to its end, without gap or overlap.

    Parameters
    ----------
    path : Path
        The recording.
    channels : sequence of int, optional
        Channels to give, from 0, in this order; all where None.
    block_s : float
        Length of a block in seconds; the last one is shorter.

    Yields
    ------
    ndarray, float32, shape (n_channels, n_samples)
        Full scale +-1, unclipped, NaN as it is in the file.

    Raises
    ------
    AudioError
        If the file cannot be read, or has no such channel.
    """
    with _reading(path), opened(path) as file:
        wanted = _wanted(path, channels, file.channels)
        every = wanted == list(range(file.channels))  # then nothing is picked out, which would copy
        n_samples = max(1, round(block_s * file.samplerate))
        while len(block := file.read(n_samples, dtype="float32", always_2d=True)):  # (sample, channel)
            yield np.ascontiguousarray((block if every else block[:, wanted]).T)


def read_span(path: Path, channel: int, start_s: float, end_s: float) -> np.ndarray:
    """Return one channel of a segment of a recording.

    Parameters
    ----------
    path : Path
        The recording.
    channel : int
        From 0.
    start_s, end_s : float
        Segment in seconds, rounded to the nearest sample and cut to what the file holds.

    Returns
    -------
    ndarray, float32, shape (n_samples,)
        Empty where the segment lies outside the file.

    Raises
    ------
    AudioError
        If the file cannot be read, or has no such channel.
    """
    with _reading(path), opened(path) as file:
        wanted = _wanted(path, [channel], file.channels)
        start, end = (min(max(0, round(at_s * file.samplerate)), file.frames) for at_s in (start_s, end_s))
        if end <= start:
            return np.zeros(0, dtype=np.float32)
        file.seek(start)
        return np.ascontiguousarray(file.read(end - start, dtype="float32", always_2d=True)[:, wanted[0]])


@contextmanager
def opened(path: Path) -> Iterator[soundfile.SoundFile]:
    """Open a recording with soundfile, for reading only; what goes wrong is soundfile's error or OSError."""
    layout = read_layout(path)
    if layout and (layout.kind == b"BW64" or layout.unpadded) and layout.find(b"data"):
        with _Rewrapped(path, layout) as readable, soundfile.SoundFile(readable) as file:
            yield file
    else:
        with soundfile.SoundFile(os.fspath(path)) as file:
            yield file


class _Rewrapped:
    """A file as libsndfile can read it: a header of its own in front of the recording's data bytes.

    libsndfile 1.2 knows no 'BW64' and loses its way behind a missing pad byte; the samples are whole all the
    same.
    """

    def __init__(self, path: Path, layout: Layout):
        data, fmt = layout.find(b"data"), layout.find(b"fmt ")
        assert data is not None
        held = min(data.size, layout.file_bytes - data.start)
        content = read_content(path, fmt, MOST_FMT_BYTES) if fmt else b""
        content += b"\0" * (len(content) % 2)
        ds64 = struct.pack("<4sIQQQI", b"ds64", 28, 4 + 36 + 8 + len(content) + 8 + held, held, 0, 0)
        self._head = (
            struct.pack("<4sI4s", b"RF64", UNKNOWN_SIZE, b"WAVE")
            + ds64
            + struct.pack("<4sI", b"fmt ", len(content))
            + content
            + struct.pack("<4sI", b"data", UNKNOWN_SIZE)
        )
        self._start, self._bytes, self._at = data.start, len(self._head) + held, 0
        self._file = open(path, "rb")

    def __enter__(self) -> "_Rewrapped":
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()

    def tell(self) -> int:
        return self._at

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        self._at = offset + {io.SEEK_SET: 0, io.SEEK_CUR: self._at, io.SEEK_END: self._bytes}[whence]
        return self._at

    def read(self, n_bytes: int) -> bytes:
        n_bytes = max(0, min(n_bytes, self._bytes - self._at))
        head = self._head[self._at : self._at + n_bytes]
        self._file.seek(self._start + max(0, self._at - len(self._head)))
        found = head + self._file.read(n_bytes - len(head))
        self._at += len(found)
        return found


@contextmanager
def _reading(path: Path) -> Iterator[None]:
    """Turn what readers raise into one line that names the file."""
    try:
        yield
    except (soundfile.SoundFileError, OSError, TypeError, ValueError) as error:
        reason = getattr(error, "error_string", None) or getattr(error, "strerror", None) or error
        raise AudioError(f"{path}: cannot be read ({reason}); check the file, or copy it again") from None


def _wanted(path: Path, channels: Sequence[int] | None, n_channels: int) -> list[int]:
    wanted = list(range(n_channels) if channels is None else channels)
    for channel in wanted:
        if not 0 <= channel < n_channels:
            raise AudioError(f"{path}: no channel {channel}; it has {n_channels}, counted from 0")
    return wanted
