"""Excerpts of noise hits for a printed page: a spectrogram as PNG, a few seconds as FLAC, both as data URIs.

In: a session of the store and a hit; its track is read, and only that segment of it. Out: what
``sheets/noise.py`` puts on the page, or None where the recording is gone or cannot be read. The gain is bounded
both ways: whatever the segment holds, it peaks no higher than CEILING_DBFS.
"""

import io
import struct
import zlib
from base64 import b64encode
from pathlib import Path

import numpy as np
import soundfile
from scipy import signal
from sqlalchemy import Connection

from triage.domain.errors import TriageError
from triage.domain.hit import Hit
from triage.intake import wav
from triage.sheets.noise import HitSpectrogram, Sound, SoundOf, SpectrogramOf
from triage.store.stored import StoredSession
from triage.store.takes import find_take, tracks

BEFORE_S, LONGEST_S = 0.8, 2.6
LOW_HZ, HIGH_HZ, ROWS, COLUMNS = 40.0, 20_000.0, 140, 420
WINDOW_S = 2048 / 48_000
LEAST_RANGE_DB, DARK_SHARE, PALE_SHARE = 40.0, 0.999, 0.2
CEILING_DBFS, MOST_GAIN_DB, FADE_S = -12.0, 24.0, 0.02
HIGHEST_RATE_HZ = 48_000  # of what is embedded
# From paper to ink through straw and rust: dark is loud, so that little of the sheet is printed black.
INK_PLACES = (0.0, 0.35, 0.7, 1.0)
INKS = ((255, 253, 248), (236, 208, 150), (176, 88, 34), (29, 27, 24))


def spectrogram_and_sound(db: Connection, session: StoredSession) -> tuple[SpectrogramOf, SoundOf]:
    """Return two functions that give the spectrogram and the sound of a hit of the session."""

    def spectrogram_of(hit: Hit) -> HitSpectrogram | None:
        found = _excerpt(db, session, hit)
        return None if found is None else spectrogram(*found)

    def sound_of(hit: Hit) -> Sound | None:
        found = _excerpt(db, session, hit)
        return None if found is None else sound(*found[:2])

    return spectrogram_of, sound_of


def spectrogram(samples: np.ndarray, rate_hz: int, start_s: float = 0.0) -> HitSpectrogram:
    """Return the spectrogram of a segment: time to the right, frequency upwards on a logarithmic scale.

    Parameters
    ----------
    samples : ndarray, shape (sample,)
        Full scale +-1.
    rate_hz : int
    start_s : float
        Where the segment begins in its take.

    Returns
    -------
    HitSpectrogram
        A PNG of COLUMNS by ROWS with a palette of 256 colours.
    """
    length_s, high_hz = len(samples) / rate_hz, min(HIGH_HZ, rate_hz / 2)
    n_fft = min(2 ** round(np.log2(WINDOW_S * rate_hz)), 2 ** int(np.log2(max(16, len(samples)))))
    padded = np.pad(samples, (n_fft // 2, n_fft))
    at = np.linspace(0, max(0, len(samples) - 1), COLUMNS).astype(int)
    frames = padded[at[:, None] + np.arange(n_fft)] * signal.get_window("hann", n_fft)  # (column, sample)
    bins = np.linspace(0, rate_hz / 2, n_fft // 2 + 1)
    level_db = 20 * np.log10(np.abs(np.fft.rfft(frames)) + 1e-9).T  # (bin, column)
    rows_hz = np.geomspace(high_hz, LOW_HZ, ROWS)
    shown = np.stack([np.interp(rows_hz, bins, column) for column in level_db.T], axis=1)  # (row, column)
    pale, dark = np.quantile(shown, PALE_SHARE), np.quantile(shown, DARK_SHARE)
    share = np.clip((shown - pale) / max(dark - pale, LEAST_RANGE_DB), 0.0, 1.0)
    uri = _uri("image/png", png((255 * share).round().astype(np.uint8), palette()))
    return HitSpectrogram(uri, start_s, start_s + length_s, LOW_HZ, high_hz)


def sound(samples: np.ndarray, rate_hz: int) -> Sound:
    """Return a segment to play, raised to peak at CEILING_DBFS but by MOST_GAIN_DB at most, or lowered to it.

    Parameters
    ----------
    samples : ndarray, shape (sample,)
        Full scale +-1.
    rate_hz : int

    Returns
    -------
    Sound
        FLAC of 16 bit, faded in and out over 20 ms; above 48 kHz brought down to 48 kHz.
    """
    if rate_hz > HIGHEST_RATE_HZ:
        samples, rate_hz = signal.resample_poly(samples, HIGHEST_RATE_HZ, rate_hz), HIGHEST_RATE_HZ
    peak = float(np.abs(samples).max(initial=0.0))
    gain_db = MOST_GAIN_DB if peak <= 0 else min(MOST_GAIN_DB, CEILING_DBFS - 20 * np.log10(peak))
    out = samples * 10 ** (gain_db / 20)
    fade = min(len(out) // 2, round(FADE_S * rate_hz))
    if fade:
        ramp = np.linspace(0.0, 1.0, fade)
        out = np.concatenate((out[:fade] * ramp, out[fade : len(out) - fade], out[len(out) - fade :] * ramp[::-1]))
    file = io.BytesIO()
    soundfile.write(file, out, rate_hz, format="FLAC", subtype="PCM_16")
    return Sound(_uri("audio/flac", file.getvalue()), float(gain_db))


def palette() -> np.ndarray:
    """Return 256 colours from paper to ink [shape=(256, 3), uint8]."""
    steps = np.linspace(0.0, 1.0, 256)
    return np.stack([np.interp(steps, INK_PLACES, channel) for channel in np.array(INKS).T], axis=1).astype(np.uint8)


def png(pixels: np.ndarray, colours: np.ndarray) -> bytes:
    """Return an image with a palette as PNG (ISO/IEC 15948).

    Parameters
    ----------
    pixels : ndarray of uint8, shape (row, column)
        Indices into the palette.
    colours : ndarray of uint8, shape (256, 3)

    Returns
    -------
    bytes
    """
    rows, columns = pixels.shape
    lines = np.pad(pixels, ((0, 0), (1, 0))).tobytes()  # each row begins with its filter: 0, none
    header = struct.pack(">IIBBBBB", columns, rows, 8, 3, 0, 0, 0)
    parts = ((b"IHDR", header), (b"PLTE", colours.tobytes()), (b"IDAT", zlib.compress(lines, 9)), (b"IEND", b""))
    chunks = (
        struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))
        for name, data in parts
    )
    return b"\x89PNG\r\n\x1a\n" + b"".join(chunks)


def _excerpt(db: Connection, session: StoredSession, hit: Hit) -> tuple[np.ndarray, int, float] | None:
    """Return samples around a hit where it is loudest, their rate, and when they begin."""
    start_s = max(0.0, hit.start_s - BEFORE_S)
    there = tracks(db, find_take(db, session.id, hit.take).id)
    track = next((track for track in there if track.mic == hit.mic), None)
    if track is None or not track.sample_rate_hz:
        return None
    try:
        path = Path(session.folder) / track.path
        samples = wav.read_span(path, track.channel, start_s, start_s + LONGEST_S)
    except (TriageError, OSError):
        return None
    samples = np.nan_to_num(samples.astype(float), nan=0.0, posinf=0.0, neginf=0.0)
    return (samples, track.sample_rate_hz, start_s) if len(samples) else None


def _uri(media: str, content: bytes) -> str:
    return f"data:{media};base64,{b64encode(content).decode()}"
