"""Audition: segments of recordings as WAV bytes, cut to the sample, and how loud a neighbour should be played.

In: a stored track, the session's folder, times in seconds. Out: a ``Cut``, which knows its size before a sample is
read and gives any of its bytes, a block at a time: a whole take is never held. Without gain the samples are those of
the file (16 bit stays 16, all else becomes 24); with gain they are rounded once and never pass full scale.
"""

import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import soundfile

from triage.domain.errors import AudioError
from triage.domain.pitch import pitch_name
from triage.domain.take import Track
from triage.intake import wav
from triage.listen.loudness import integrated_lufs, note_lufs

HEADER_BYTES = 44
BLOCK_SAMPLES = 65_536
HIGHEST_GAIN_DB, LOWEST_GAIN_DB = 12.0, -30.0
CEILING_DBFS = -6.0  # a raised segment peaks no higher than this: a full-level note may follow it
LONGEST_MATCHED_S = 10.0
LONGEST_WAV_BYTES = 2**32 - 1 - HEADER_BYTES


@dataclass(frozen=True)
class Cut:
    """A segment of one track: samples ``first`` to ``last`` (not included) of a channel, and a gain."""

    path: Path
    channel: int
    rate_hz: int
    first: int
    last: int
    width: int  # bytes a sample, 2 or 3
    gain_db: float = 0.0

    @property
    def size(self) -> int:
        """Bytes of the whole WAV, header included."""
        return HEADER_BYTES + (self.last - self.first) * self.width

    def bytes_between(self, start: int, end: int) -> Iterator[bytes]:
        """Yield the WAV's bytes from ``start`` to ``end`` (not included), a block at a time."""
        if start < HEADER_BYTES:
            yield self.header()[start:end]
        start, end = (max(0, at - HEADER_BYTES) for at in (start, end))
        if start >= end:
            return
        first, last = start // self.width, -(-end // self.width)
        skip, wanted = start - first * self.width, end - start
        for block in self._blocks(self.first + first, self.first + last):
            part = block[skip : skip + wanted]
            skip, wanted = 0, wanted - len(part)
            yield part

    def header(self) -> bytes:
        """Return the canonical 44 bytes: RIFF, fmt (PCM, one channel), data."""
        data = (self.last - self.first) * self.width
        form = struct.pack("<HHIIHH", 1, 1, self.rate_hz, self.rate_hz * self.width, self.width, 8 * self.width)
        return (
            b"RIFF"
            + struct.pack("<I", 36 + data)
            + b"WAVEfmt "
            + struct.pack("<I", 16)
            + form
            + b"data"
            + (struct.pack("<I", data))
        )

    def _blocks(self, first: int, last: int) -> Iterator[bytes]:
        gain = 10 ** (self.gain_db / 20)
        try:
            with wav.opened(self.path) as file:
                file.seek(first)
                for start in range(first, last, BLOCK_SAMPLES):
                    n_samples = min(BLOCK_SAMPLES, last - start)
                    yield _packed(_samples(file, self.channel, n_samples, gain), self.width)
        except (soundfile.SoundFileError, OSError) as error:
            raise AudioError(f"{self.path}: cannot be read ({error}); check the file, or copy it again") from None


def cut(track: Track, folder: Path, start_s: float = 0.0, end_s: float | None = None, gain_db: float = 0.0) -> Cut:
    """Return a segment of a track, its times rounded to the nearest sample and cut to what the file holds.

    A gain above 0 dB is lowered until the segment peaks at ``CEILING_DBFS`` at most.
    """
    path = inside(folder, track.path)
    sound = wav.read_sound(path)
    if not 0 <= track.channel < sound.channels:
        raise AudioError(f"{path}: no channel {track.channel + 1}; it has {sound.channels}")
    end_s = sound.duration_s if end_s is None else end_s
    first, last = (min(max(0, round(at_s * sound.sample_rate_hz)), sound.frames) for at_s in (start_s, end_s))
    width = 2 if sound.subtype == "PCM_16" else 3
    last = min(max(first, last), first + LONGEST_WAV_BYTES // width)
    found = Cut(path, track.channel, sound.sample_rate_hz, first, last, width)
    gain_db = min(max(gain_db, LOWEST_GAIN_DB), HIGHEST_GAIN_DB)
    if gain_db > 0:
        gain_db = max(0.0, min(gain_db, CEILING_DBFS - peak_dbfs(found)))
    return replace(found, gain_db=gain_db)


def peak_dbfs(segment: Cut) -> float:
    """Return the highest sample of a segment, in dB of full scale; -inf for silence."""
    return _peak_dbfs(segment, segment.path.stat().st_mtime_ns)


@lru_cache(maxsize=1000)  # a player asks for one segment in many ranges
def _peak_dbfs(segment: Cut, mtime_ns: int) -> float:
    highest = 0
    for block in segment.bytes_between(HEADER_BYTES, segment.size):
        highest = max(highest, int(np.abs(unpacked(block, segment.width).astype(np.int64)).max(initial=0)))
    with np.errstate(divide="ignore"):
        return float(20 * np.log10(highest / 2 ** (8 * segment.width - 1)))


def matching_gain_db(segment: Cut, like: Cut) -> float:
    """Return by how much a segment must be louder to be as loud as another, in dB; 0 where it is unknown.

    Loudness after BS.1770: of a segment of 3 s or more the gated loudness, of shorter ones the loudest 0.4 s, so that
    a long and a short note of the same strength are not set apart.
    """
    difference = loudness_lufs(like) - loudness_lufs(segment)
    return float(np.clip(difference, LOWEST_GAIN_DB, HIGHEST_GAIN_DB)) if np.isfinite(difference) else 0.0


def loudness_lufs(segment: Cut) -> float:
    """Return how loud a segment is, in LUFS; NaN for silence."""
    most = segment.first + round(LONGEST_MATCHED_S * segment.rate_hz)
    short = replace(segment, last=min(segment.last, most))
    data = b"".join(short.bytes_between(HEADER_BYTES, short.size))
    samples = unpacked(data, short.width) / 2 ** (8 * short.width - 1)
    if len(samples) >= 3 * short.rate_hz:
        return integrated_lufs(samples, short.rate_hz)
    return note_lufs(samples, short.rate_hz)


def unpacked(data: bytes, width: int) -> np.ndarray:
    """Return little-endian PCM bytes as whole numbers [shape=(sample,)]."""
    if width == 2:
        return np.frombuffer(data, "<i2")
    three = np.frombuffer(data, np.uint8).reshape(-1, 3)
    four = np.zeros((len(three), 4), np.uint8)
    four[:, 1:] = three
    return four.view("<i4")[:, 0] >> 8


def inside(folder: Path, relative: str) -> Path:
    """Return the path of a file in a session's folder; one that leads out of it, also by a link, is refused."""
    root = folder.resolve()
    path = (root / relative).resolve()
    if not path.is_relative_to(root):
        raise AudioError(f"{relative}: leads out of the session's folder {folder}; put the file itself there")
    if not path.is_file():
        raise AudioError(f"{path}: no such file; copy it there, or take the session in again")
    return path


def session_folder(stored: str, roots: Sequence[Path] = ()) -> Path:
    """Return where a session's recordings lie here: under one of ``roots``, else where they were taken in."""
    name = Path(stored).name
    for folder in (*(root / name for root in roots), Path(stored)):
        if folder.is_dir():
            return folder
    raise AudioError(
        f"{stored}: the session's folder is not on this machine; start the desk with --recordings FOLDER, "
        f"the folder that holds {name}"
    )


def pitch_words(midi: int | None) -> str | None:
    """Return a pitch as people write it, F#3; None where it is not known."""
    return None if midi is None else pitch_name(midi)


def _samples(file: soundfile.SoundFile, channel: int, n_samples: int, gain: float) -> np.ndarray:
    """Return the next samples as whole numbers of 32 bits; what a shrunken file no longer holds is silence."""
    whole = gain == 1.0 and not file.subtype.startswith(("FLOAT", "DOUBLE"))
    block = file.read(n_samples, dtype="int32" if whole else "float64", always_2d=True)[:, channel]
    if not whole:
        block = np.nan_to_num(block, nan=0.0, posinf=0.0, neginf=0.0) * gain
        block = np.clip(np.round(block * 2**23), -(2**23), 2**23 - 1).astype(np.int64) << 8
    return np.pad(block, (0, n_samples - len(block)))


def _packed(samples: np.ndarray, width: int) -> bytes:
    """Return 32-bit whole numbers as PCM of so many bytes: the upper ones."""
    four = np.ascontiguousarray(samples, dtype="<i4").view(np.uint8).reshape(-1, 4)
    return four[:, 4 - width :].tobytes()
