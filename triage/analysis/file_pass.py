"""One pass over a file of a take: decoded once, transformed once, its samples checked on the way.

``read_files`` takes the tracks of a take and gives, file by file and in order, frames (channel, mel, frame) and what
the checks found. While the caller works on one file the next ones are read by the other cores, a few ahead and no
more. The channels of one long or wide file are read in several groups, so that memory use is bounded.
"""

from collections import deque
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import NamedTuple

import numpy as np

from triage.domain.errors import TriageError
from triage.intake import wav
from triage.intake.arrivals import TrackFile
from triage.listen.background import Background, BackgroundMeter
from triage.listen.digital import SampleCheck
from triage.listen.logmel import N_MELS, SILENCE_DB, LogMel, finite
from triage.listen.preview import Sketch
from triage.listen.stationary_noise import HumDetector

BLOCK_S, WIDE = 10.0, 4  # seconds of a block; with more channels than that it is shorter
MOST_S = 1_800.0  # of all channels of a part together: about 60 MB of frames and as much of fine peaks


class FilePass(NamedTuple):
    """What one pass over a file found in its tracks."""

    frames: np.ndarray  # (channel, mel, frame)
    check: SampleCheck
    backgrounds: list[Background]
    hum: HumDetector
    sketch: Sketch


def read_files(
    tracks: Sequence[TrackFile], folder: Path, read_ahead: int = 1
) -> Iterator[tuple[list[TrackFile], FilePass | Exception]]:
    """Yield the tracks of each file with what was found, or with why it could not be read; in order of the tracks."""
    groups = [part for file in _by_file(tracks) for part in _segments_of(file, read_ahead)]
    if read_ahead < 2 or len(groups) < 2:
        yield from ((group, _read_or_error(group, folder)) for group in groups)
        return
    with ThreadPoolExecutor(read_ahead) as pool:
        ahead: deque[tuple[list[TrackFile], Future[FilePass | Exception]]] = deque()
        try:
            for group in groups:
                ahead.append((group, pool.submit(_read_or_error, group, folder)))
                if len(ahead) > read_ahead:
                    yield _next_read(ahead)
            while ahead:
                yield _next_read(ahead)
        finally:
            pool.shutdown(cancel_futures=True)


def read_file(group: Sequence[TrackFile], folder: Path) -> FilePass:
    """Read the tracks of one file from its first sample to its last."""
    rate_hz, n = group[0].facts.sample_rate_hz, len(group)
    check, sketch = SampleCheck(rate_hz, n), Sketch(rate_hz, n)
    meter, hum = BackgroundMeter(rate_hz, n), HumDetector(rate_hz, n)

    def checked_blocks() -> Iterator[np.ndarray]:
        block_s = BLOCK_S * min(1.0, WIDE / n)
        for block in wav.blocks(folder / group[0].path, [track.channel for track in group], block_s):
            sketch.add(block)  # its digest is of the samples as they are, finite or not
            check.add(block)
            block = finite(block)
            meter.add(block)
            hum.add(block)
            yield block

    parts = list(LogMel(rate_hz).frames(checked_blocks()))
    frames = np.concatenate(parts, axis=2) if parts else np.full((n, N_MELS, 1), SILENCE_DB, np.float32)
    return FilePass(frames, check, meter.result(), hum, sketch)


def frames_of(track: TrackFile, folder: Path) -> np.ndarray:
    """Return the frames of one track alone [shape=(mel, frame)], as a pass over its file gives them."""
    blocks = map(finite, wav.blocks(folder / track.path, [track.channel], BLOCK_S))
    parts = [part[0] for part in LogMel(track.facts.sample_rate_hz).frames(blocks)]
    return np.concatenate(parts, axis=1) if parts else np.full((N_MELS, 1), SILENCE_DB, np.float32)


def _read_or_error(group: list[TrackFile], folder: Path) -> FilePass | Exception:
    try:
        return read_file(group, folder)
    except (TriageError, OSError, RuntimeError) as error:
        return error


def _next_read(
    ahead: deque[tuple[list[TrackFile], Future[FilePass | Exception]]],
) -> tuple[list[TrackFile], FilePass | Exception]:
    group, reading = ahead.popleft()
    return group, reading.result()


def _by_file(tracks: Sequence[TrackFile]) -> list[list[TrackFile]]:
    """Tracks grouped by the file they are in, the first track's file first and first in it."""
    files: dict[str, list[TrackFile]] = {}
    for track in tracks:
        files.setdefault(track.path, []).append(track)
    return list(files.values())


def _segments_of(file: list[TrackFile], read_ahead: int) -> list[list[TrackFile]]:
    """Split the channels of a file: decoding it again is cheap beside what is done with every channel."""
    long = file[0].facts.duration_s * len(file) / MOST_S
    count = min(len(file), max(round(np.ceil(long)), read_ahead if len(file) > WIDE else 1))
    size = -(-len(file) // count)
    return [file[at : at + size] for at in range(0, len(file), size)]
