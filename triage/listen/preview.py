"""Previews: compact data to draw a track from: its waveform outline, its spectrogram and its notes' pitch contours.

``Sketch`` takes the blocks of one file, shape (channel, sample), and gives each channel's outline and a digest of its
samples. ``spectrogram`` turns log-mel frames, shape (mel, frame), into a grey PNG; ``compress_contours`` packs
pitches. Sizes are bounded whatever the length: long takes get wider columns. 40 s of a close microphone take about 60
kB.
"""

import hashlib
import json
import struct
import zlib
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import torch

from triage.domain.errors import AudioError
from triage.listen.logmel import HOP_S, N_MELS, LogMel, finite
from triage.listen.pitch import PitchTrack

WAVE_HOP_S = 0.01
FULL_SCALE = 32_767
MOST_COLUMNS = 6000  # of an outline or a spectrogram: more than any screen has
LOWEST_DB, HIGHEST_DB = -110.0, -10.0  # black and white; a band of a full note reads -20 to -40
STEP_DB = 2.5  # finer steps look the same on a screen and take twice the bytes
CONTOUR_HOP_S = 0.02
SHORTEST_CONTOUR_S, LONGEST_CONTOUR_S = 0.03, 15.0  # of one note
BESIDE_A4 = 69  # MIDI


class Outline(NamedTuple):
    """Lowest and highest sample of every hop in turn: little-endian 16 bit, compressed with zlib."""

    compressed: bytes
    hop_s: float


class Spectrogram(NamedTuple):
    """A grey PNG, one column per hop, the highest band on top."""

    png: bytes
    hop_s: float


class Contour(NamedTuple):
    """Pitch of one note from ``start_s`` on, one value every CONTOUR_HOP_S, MIDI number times 100; NaN unvoiced."""

    note: int
    start_s: float
    cents: np.ndarray


class Sketch:
    """Makes the outlines and digests of one file, block by block.

    Parameters
    ----------
    rate_hz : int
    n_channels : int
    """

    def __init__(self, rate_hz: int, n_channels: int):
        self.hop = max(1, round(WAVE_HOP_S * rate_hz))
        self.rate_hz = rate_hz
        self._kept = np.zeros((n_channels, 0), np.float32)
        self._columns: list[np.ndarray] = []  # each (channel, column, 2)
        self._digests = [hashlib.blake2b(digest_size=16) for _ in range(n_channels)]

    def add(self, block: np.ndarray) -> None:
        """Add the next block, shape (channel, sample)."""
        for digest, samples in zip(self._digests, block, strict=True):
            digest.update(np.ascontiguousarray(samples, dtype="<f4").data)
        joined = np.concatenate((self._kept, finite(block)), axis=1)
        whole = joined.shape[1] // self.hop * self.hop
        self._columns.append(_extremes(joined[:, :whole], self.hop))
        self._kept = joined[:, whole:]

    def digest(self, channel: int) -> str:
        """Return a digest of a channel's samples: the same for the same sound, in whatever file it is."""
        return self._digests[channel].hexdigest()

    def outline(self, channel: int) -> Outline:
        """Return a channel's outline, wider columns where it would have more than MOST_COLUMNS.

        Returns
        -------
        Outline
            Values -32767 to 32767, 32767 being full scale or more.
        """
        rest = [_extremes(self._kept, max(1, self._kept.shape[1]))] if self._kept.shape[1] else []
        pairs = np.concatenate([part[channel] for part in (*self._columns, *rest)] or [np.zeros((0, 2))])
        wider = _wider(len(pairs))
        padded = np.pad(pairs, ((0, -len(pairs) % wider), (0, 0)), mode="edge") if len(pairs) else pairs
        groups = padded.reshape(-1, wider, 2)
        columns = np.stack((groups[:, :, 0].min(axis=1), groups[:, :, 1].max(axis=1)), axis=1)
        whole = np.clip(np.round(columns * FULL_SCALE), -FULL_SCALE, FULL_SCALE).astype("<i2")
        return Outline(zlib.compress(whole.tobytes(), 6), wider * self.hop / self.rate_hz)


def spectrogram(frames: np.ndarray, columns: int = 2, bands: int = 1) -> Spectrogram:
    """Return log-mel frames as a grey image.

    grey = 255 (level - LOWEST_DB) / (HIGHEST_DB - LOWEST_DB), the loudest of the frames and bands that share a pixel

    Parameters
    ----------
    frames : ndarray, shape (mel, frame)
        In dB of full scale, as ``LogMel`` gives them.
    columns, bands : int
        How many frames and bands share a pixel; more frames where there would be more than MOST_COLUMNS.

    Returns
    -------
    Spectrogram

    Raises
    ------
    AudioError
        If there is no frame, or the bands cannot be shared evenly.
    """
    if frames.ndim != 2 or not frames.shape[1] or frames.shape[0] % bands:
        raise AudioError(f"frames have shape {frames.shape}, expected (mel, frame) with bands in groups of {bands}")
    columns *= _wider(-(-frames.shape[1] // columns))
    padded = np.pad(frames, ((0, 0), (0, -frames.shape[1] % columns)), mode="edge")
    shared = torch.nn.functional.max_pool2d(torch.from_numpy(padded)[None], (bands, columns))[0].numpy()
    steps = np.round((np.clip(shared, LOWEST_DB, HIGHEST_DB) - LOWEST_DB) / STEP_DB) * STEP_DB
    grey = np.round(255 * steps / (HIGHEST_DB - LOWEST_DB)).astype(np.uint8)
    return Spectrogram(grey_png(grey[::-1]), columns * HOP_S)


def band_edges_hz(rate_hz: int) -> tuple[float, float]:
    """Return the centre of the lowest and the highest band of a spectrogram, in Hz."""
    centres = LogMel(rate_hz).band_hz()
    return float(centres[0]), float(centres[N_MELS - 1])


def grey_png(grey: np.ndarray) -> bytes:
    """Return an image [shape=(row, column), uint8] as PNG: 8 bits of grey, no filter (W3C PNG, sections 5 and 11)."""
    height, width = grey.shape
    rows = np.zeros((height, width + 1), np.uint8)  # each row begins with its filter, 0
    rows[:, 1:] = grey
    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    chunks = ((b"IHDR", head), (b"IDAT", zlib.compress(rows.tobytes(), 6)), (b"IEND", b""))
    return b"\x89PNG\r\n\x1a\n" + b"".join(_chunk(kind, data) for kind, data in chunks)


def contour(track: PitchTrack | None, onset_s: float, length_s: float, a4_hz: float) -> np.ndarray:
    """Return a note's pitch contour.

    cents = 100 (69 + 12 log2(f0 / a4)), f0 of the frame nearest to each moment

    Parameters
    ----------
    track : PitchTrack or None
        Of the samples that the note was measured on.
    onset_s, length_s : float
        Where the note starts in them, and how long it sounds.
    a4_hz : float

    Returns
    -------
    ndarray, shape (n,)
        One value every CONTOUR_HOP_S, NaN where there is no pitch; empty for less than 30 ms.
    """
    length_s = min(length_s, LONGEST_CONTOUR_S)
    if track is None or length_s < SHORTEST_CONTOUR_S:
        return np.zeros(0)
    hop_s = track.time_s[1] - track.time_s[0]
    at = np.round((onset_s + np.arange(int(length_s / CONTOUR_HOP_S) + 1) * CONTOUR_HOP_S) / hop_s).astype(int)
    return 100 * (BESIDE_A4 + 12 * np.log2(track.f0_hz[at[at < len(track.f0_hz)]] / a4_hz))


def compress_contours(contours: Sequence[Contour]) -> bytes:
    """Return pitch contours as JSON compressed with zlib: {"hop_s", "courses": [{"note", "start_s", "cents"}]}."""
    listed = [
        {
            "note": one.note,
            "start_s": round(one.start_s, 4),
            "cents": [None if np.isnan(cents) else round(float(cents)) for cents in one.cents],
        }
        for one in contours
    ]
    body = json.dumps({"hop_s": CONTOUR_HOP_S, "courses": listed}, separators=(",", ":"))
    return zlib.compress(body.encode(), 6)


def _extremes(samples: np.ndarray, hop: int) -> np.ndarray:
    """Return lowest and highest sample of every hop [shape=(channel, hop, 2)]."""
    groups = samples.reshape(samples.shape[0], -1, hop)
    return np.stack((groups.min(axis=2), groups.max(axis=2)), axis=2)


def _wider(n_columns: int) -> int:
    """Return how many columns must share one."""
    return max(1, -(-n_columns // MOST_COLUMNS))


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
