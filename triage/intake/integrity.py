"""One file, checked: is it audio, is all of it there, what is it.

In: a path. Out: FileFacts, whatever the file holds: what goes wrong is its `problem`, one line, and never an
error. Nothing but headers and the last block of samples is read.
"""

import stat
import struct
from dataclasses import dataclass, replace
from pathlib import Path

import soundfile

from triage.intake.chunks import UNKNOWN_SIZE, WIDE_KINDS, Chunk, Layout, read_content, read_layout
from triage.intake.wav import opened

CONTAINERS = ("WAV", "WAVEX", "RF64", "AIFF", "FLAC")
BIT_DEPTHS = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32, "FLOAT": 32, "DOUBLE": 64}
# Wider than the 44.1 to 192 kHz that sessions use: beyond it the header is damaged.
LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 8_000, 384_000
# libsndfile's SF_ERR_UNRECOGNISED_FORMAT.
NOT_AUDIO = 1
# libsndfile's length of a FLAC file whose header gives none.
NO_LENGTH = 2**63 - 1
# The largest block that common FLAC writers make; reading it shows whether the last block is there.
TAIL_FRAMES = 4_096
COPY_AGAIN = "copy it again from the recorder"


@dataclass(frozen=True)
class FileFacts:
    """What is known of a file; 0 and "" where a broken one does not show it; `problem` None where it is usable."""

    path: Path
    size_bytes: int = 0
    mtime_ns: int = 0
    sample_rate_hz: int = 0
    subtype: str = ""
    bit_depth: int = 0
    channels: int = 0
    frames: int = 0
    duration_s: float = 0.0
    problem: str | None = None
    arriving: bool = False  # still being written: not usable yet, but not broken either

    @property
    def broken(self) -> bool:
        """Whether it cannot be used and will not mend itself."""
        return self.problem is not None and not self.arriving


def check_file(path: Path) -> FileFacts:
    """Return the facts of one file, and in one line why it cannot be used, if it cannot; never raises.

    Broken is: cannot be read; zero length; not WAV, RF64, BW64, AIFF or FLAC of integers or floats; fewer
    samples than the header promises; a length that the recorder never wrote. What a reader raises on a hostile
    header becomes the file's problem.
    """
    facts = FileFacts(Path(path))
    try:
        status = facts.path.stat()
        facts = replace(facts, size_bytes=status.st_size, mtime_ns=status.st_mtime_ns)
        # A pipe would be waited on for ever.
        if not stat.S_ISREG(status.st_mode):
            return replace(facts, problem="not a file")
        if not status.st_size:
            return replace(facts, problem=f"zero length: 0 bytes; {COPY_AGAIN}")
        layout = read_layout(facts.path)
        cut = _cut(facts.path, layout) if layout else None
        return _with_format(replace(facts, problem=cut))
    except Exception as error:  # any reader's error is this file's problem, and the session goes on
        return replace(facts, problem=facts.problem or _problem(error))


def _with_format(facts: FileFacts) -> FileFacts:
    """Add what the audio library reads; a problem known already stays, being closer to the cause."""
    try:
        with opened(facts.path) as file:
            found = replace(
                facts,
                sample_rate_hz=file.samplerate,
                subtype=file.subtype,
                channels=file.channels,
                bit_depth=BIT_DEPTHS.get(file.subtype, 0),
                frames=file.frames if file.frames < NO_LENGTH else 0,
            )
            problem = facts.problem or _unusable(file) or _tail_missing(file)
    except Exception as error:
        return replace(facts, problem=facts.problem or _problem(error))
    return replace(found, duration_s=found.frames / found.sample_rate_hz, problem=problem)


def _unusable(file: soundfile.SoundFile) -> str | None:
    coding = f"{file.format} of {file.subtype}"
    if file.format not in CONTAINERS or file.subtype not in BIT_DEPTHS:
        return f"not audio of a kind used here: {coding}; expected WAV, RF64, BW64, AIFF or FLAC, lossless"
    if not LOWEST_RATE_HZ <= file.samplerate <= HIGHEST_RATE_HZ:
        return f"not a sample rate: {file.samplerate} Hz; expected {LOWEST_RATE_HZ} to {HIGHEST_RATE_HZ} Hz"
    if file.frames == NO_LENGTH:
        return "length never written: the header gives no number of samples; encode or copy it again"
    return None if file.frames else f"zero length: a header and no samples; {COPY_AGAIN}"


def _tail_missing(file: soundfile.SoundFile) -> str | None:
    """Read the last block: a FLAC header promises a length that only the data can keep."""
    n_frames = min(TAIL_FRAMES, file.frames)
    try:
        file.seek(file.frames - n_frames)
        n_read = len(file.read(n_frames, dtype="float32", always_2d=True))
    except soundfile.SoundFileError:
        n_read = 0
    if n_read == n_frames:
        return None
    return f"truncated: the header promises {file.frames} samples, the last cannot be read; {COPY_AGAIN}"


def _cut(path: Path, layout: Layout) -> str | None:
    """Return why the data chunk is not all there, or None; libsndfile clips it to the file without an error."""
    data = layout.find(b"SSND" if layout.kind == b"FORM" else b"data")
    if data is None:
        return f"truncated: a header and no data chunk; {COPY_AGAIN}"
    held = layout.file_bytes - data.start
    if held and _size_never_written(layout, data):
        return f"length never written: the recorder did not close the file of {held} bytes; repair it there"
    if layout.kind == b"RIFF" and layout.file_bytes > UNKNOWN_SIZE + 8:
        return f"{layout.file_bytes} bytes, more than a WAV header can state; save it as RF64"
    promised = max(data.size, _aiff_bytes(path, layout))
    if promised > held:
        return f"truncated: {promised} bytes of samples promised, the file holds {held}; {COPY_AGAIN}"
    return None


def _size_never_written(layout: Layout, data: Chunk) -> bool:
    if data.size == 0:
        # Behind a truly empty data chunk there is nothing, or chunks that fit the file.
        behind = layout.chunks[layout.chunks.index(data) + 1 :]
        return not behind or behind[-1].end > layout.file_bytes
    if layout.kind in WIDE_KINDS and layout.find(b"ds64"):
        return data.size >= 2**63
    return data.size == UNKNOWN_SIZE


def _aiff_bytes(path: Path, layout: Layout) -> int:
    """Return the bytes of SSND that an AIFF header's own count of samples asks for; 0 for other kinds."""
    common = layout.find(b"COMM")
    # AIFF-C has 4 more bytes at least, and may be compressed: there only the chunk's size counts.
    if layout.kind != b"FORM" or common is None or common.size != 18:
        return 0
    channels, frames, bits = struct.unpack(">HIH", read_content(path, common, 8))
    return 8 + frames * channels * ((bits + 7) // 8)


def _problem(error: Exception) -> str:
    if getattr(error, "code", None) == NOT_AUDIO:
        return "not audio: no kind of recording that can be read; replace it with the recording"
    if isinstance(error, PermissionError):
        return "cannot be read: permission denied; let this user read it, then take the session in again"
    reason = getattr(error, "error_string", None) or getattr(error, "strerror", None) or str(error)
    return f"unreadable: {' '.join(str(reason).split()) or type(error).__name__}; {COPY_AGAIN}"
