"""Excerpts: segments of recordings as WAV files, cut to the sample, and how loud a neighbour should be played.

In: a stored track, the session's folder, times in seconds. Out: a ``Cut``, which is read a block at a time (a whole
take is never held), written to the cache or streamed. Without gain the samples are those of the file (16 bit stays
16, all else becomes 24); with gain they are rounded once and never pass full scale.
"""

import shutil
import wave
from collections import OrderedDict
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from io import BytesIO
from pathlib import Path
from tempfile import mkdtemp
from threading import Lock, get_ident

import numpy as np
import soundfile

from triage.domain.errors import AudioError
from triage.domain.pitch import pitch_name
from triage.domain.take import Track
from triage.intake import wav
from triage.listen.loudness import integrated_lufs, note_lufs

HEADER_BYTES = 44
KEPT_FILES = 16  # whatever their size: one may be being sent to an audio player
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
    def duration_s(self) -> float:
        """Return how long the segment is, in seconds."""
        return (self.last - self.first) / self.rate_hz

    @property
    def n_bytes(self) -> int:
        """Return the size of the whole WAV, header included."""
        return HEADER_BYTES + (self.last - self.first) * self.width

    def blocks(self, skipped: int = 0) -> Iterator[np.ndarray]:
        """Yield the samples as whole numbers of ``8 * width`` bits [shape=(sample,)], a block at a time.

        The first ``skipped`` samples are left out.
        """
        gain = 10 ** (self.gain_db / 20)
        try:
            with wav.opened(self.path) as file:
                file.seek(self.first + skipped)
                for start in range(self.first + skipped, self.last, BLOCK_SAMPLES):
                    n_samples = min(BLOCK_SAMPLES, self.last - start)
                    yield _samples(file, self.channel, n_samples, gain) >> (32 - 8 * self.width)
        except (soundfile.SoundFileError, OSError) as error:
            raise AudioError(f"{self.path}: cannot be read ({error}); check the file, or copy it again") from None

    def write(self, path: Path) -> None:
        """Write the segment as a WAV of one channel, a block at a time."""
        subtype = f"PCM_{8 * self.width}"
        with soundfile.SoundFile(path, "w", self.rate_hz, 1, subtype, format="WAV") as file:
            for block in self.blocks():
                file.write((block << (32 - 8 * self.width)).astype(np.int32))

    def stream(self, start: int, end: int) -> Iterator[bytes]:
        """Yield the WAV's bytes from ``start`` to ``end`` (not included), a block at a time."""
        if start < HEADER_BYTES:
            yield self._header()[start:end]
        left = end - max(start, HEADER_BYTES)
        sample, skip = divmod(max(start - HEADER_BYTES, 0), self.width)
        for block in self.blocks(sample) if left > 0 else ():
            piece = block.astype("<i4").view(np.uint8).reshape(-1, 4)[:, : self.width].tobytes()[skip : skip + left]
            yield piece
            skip, left = 0, left - len(piece)
            if left <= 0:
                return

    def _header(self) -> bytes:
        header = BytesIO()
        with wave.open(header, "wb") as file:
            file.setparams((1, self.width, self.rate_hz, self.last - self.first, "NONE", ""))
            file.writeframesraw(b"")
            return header.getvalue()  # on closing, the length would be set to what was written


class ExcerptCache:
    """Excerpts as files in a folder of their own, which ``close`` removes; over ``most_bytes`` the oldest go."""

    def __init__(self, most_bytes: int = 2**30):
        self._folder: Path | None = None
        self._most_bytes = most_bytes
        self._sizes: OrderedDict[Path, int] = OrderedDict()
        self._lock = Lock()

    def file(self, excerpt: Cut, name: str) -> Path:
        """Return the file of an excerpt, written if it is not there yet; ``name`` must be unique to it."""
        with self._lock:
            self._folder = self._folder or Path(mkdtemp(prefix="triage-excerpts-"))
            path = self._folder / f"{name}.wav"
            if path in self._sizes:
                self._sizes.move_to_end(path)
                return path
        fresh = path.with_suffix(f".{get_ident()}")
        try:
            excerpt.write(fresh)
            fresh.replace(path)
        finally:
            fresh.unlink(missing_ok=True)
        with self._lock:
            self._sizes[path] = path.stat().st_size
            while sum(self._sizes.values()) > self._most_bytes and len(self._sizes) > KEPT_FILES:
                self._sizes.popitem(last=False)[0].unlink(missing_ok=True)
        return path

    def close(self) -> None:
        """Remove the folder."""
        if self._folder is not None:
            shutil.rmtree(self._folder, ignore_errors=True)


def cut(track: Track, folder: Path, start_s: float = 0.0, end_s: float | None = None, gain_db: float = 0.0) -> Cut:
    """Return a segment of a track, its times rounded to the nearest sample and cut to what the file holds.

    A gain above 0 dB is lowered until the segment peaks at ``CEILING_DBFS`` at most.
    """
    path = inside(folder, track.path)
    sound = wav.read_format(path)
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


@lru_cache(maxsize=1000)  # an audio player requests one segment again and again
def _peak_dbfs(segment: Cut, mtime_ns: int) -> float:
    highest = max((int(np.abs(block.astype(np.int64)).max(initial=0)) for block in segment.blocks()), default=0)
    with np.errstate(divide="ignore"):
        return float(20 * np.log10(highest / 2 ** (8 * segment.width - 1)))


def matching_gain_db(segment: Cut, like: Cut) -> float:
    """Return by how much a segment must be louder to be as loud as another, in dB; 0 where it is unknown.

    Loudness after BS.1770: of a segment of 3 s or more the gated loudness, of shorter ones the loudest 0.4 s, so that
    a long and a short note of the same strength get the same gain.
    """
    difference = loudness_lufs(like) - loudness_lufs(segment)
    return float(np.clip(difference, LOWEST_GAIN_DB, HIGHEST_GAIN_DB)) if np.isfinite(difference) else 0.0


def loudness_lufs(segment: Cut) -> float:
    """Return how loud a segment is, in LUFS; NaN for silence."""
    most = segment.first + round(LONGEST_MATCHED_S * segment.rate_hz)
    short = replace(segment, last=min(segment.last, most))
    samples = np.concatenate([np.zeros(0), *short.blocks()]) / 2 ** (8 * short.width - 1)
    if len(samples) >= 3 * short.rate_hz:
        return integrated_lufs(samples, short.rate_hz)
    return note_lufs(samples, short.rate_hz)


def inside(folder: Path, relative: str) -> Path:
    """Return the path of a file in a session's folder; one that leads out of it, also by a link, is refused."""
    root = folder.resolve()
    path = (root / relative).resolve()
    if not path.is_relative_to(root):
        raise AudioError(f"{relative}: leads out of the session's folder {folder}; put the file itself there")
    if not path.is_file():
        raise AudioError(f"{path}: no such file; copy it there, or take the session in again")
    return path


def pitch_words(midi: int | None) -> str | None:
    """Return a pitch by name, F#3; None where it is not known."""
    return None if midi is None else pitch_name(midi)


def _samples(file: soundfile.SoundFile, channel: int, n_samples: int, gain: float) -> np.ndarray:
    """Return the next samples as whole numbers of 32 bits; what a shrunken file no longer holds is silence."""
    whole = gain == 1.0 and not file.subtype.startswith(("FLOAT", "DOUBLE"))
    block = file.read(n_samples, dtype="int32" if whole else "float64", always_2d=True)[:, channel]
    if not whole:
        block = np.nan_to_num(block, nan=0.0, posinf=0.0, neginf=0.0) * gain
        block = np.clip(np.round(block * 2**23), -(2**23), 2**23 - 1).astype(np.int64) << 8
    return np.pad(block, (0, n_samples - len(block)))
