"""Excerpts of notes as MP3, to be embedded in a page: as many as fit a budget of bytes.

In: notes of a consistency report and an open store, whose recordings are read where they lie. Out: ``Excerpts`` at
the level of the recording: no gain is applied.
"""

import io
from collections.abc import Callable, Iterable
from pathlib import Path

import numpy as np
import soundfile
from scipy.signal import resample_poly
from sqlalchemy import Connection

from triage.domain.errors import AudioError
from triage.intake import wav
from triage.sheets.consistency_page import EXCERPT_S, Excerpts
from triage.sheets.consistency_values import Dot
from triage.store.consistency import measured_files

BEFORE_S, FADE_S = 0.05, 0.01
RATES_HZ = (32_000, 44_100, 48_000)  # what MP3 knows among the rates of recordings
COMPRESSION = 0.3  # libsndfile's scale, 0 the best: about 90 kbit/s, 16 kB an excerpt
FULL_SCALE = 0.99
Progress = Callable[[str, int, int], None]  # what is being done, how many of it, out of how many


def note_excerpts(db: Connection, notes: Iterable[Dot], progress: Progress, budget_bytes: int) -> Excerpts:
    """Return the excerpts of as many notes, in their order, as the budget holds."""
    notes = list(notes)
    tracks = measured_files(db, sorted({note.take_id for note in notes}))
    sounds: dict[str, bytes] = {}
    used = over = unreadable = 0
    for done, note in enumerate(notes, 1):
        progress("cutting excerpts", done, len(notes))
        if used >= budget_bytes:
            over += 1
            continue
        try:
            folder, path, channel = tracks[note.take_id]
            sound = _excerpt(Path(folder) / path, channel, note)
        except (KeyError, AudioError, OSError):
            unreadable += 1
            continue
        sounds[f"{note.take_id}:{note.note}"] = sound
        used += len(sound)
    return Excerpts(sounds, over, unreadable)


def _excerpt(path: Path, channel: int, note: Dot) -> bytes:
    samples = wav.read_span(path, channel, note.start_s - BEFORE_S, note.start_s - BEFORE_S + EXCERPT_S)
    rate_hz = wav.read_format(path).sample_rate_hz
    if not samples.size:
        raise AudioError(f"{path}: ends before note {note.note}")
    samples = np.clip(np.nan_to_num(samples), -FULL_SCALE, FULL_SCALE).astype(np.float64)
    if rate_hz not in RATES_HZ:
        samples, rate_hz = resample_poly(samples, 48_000, rate_hz), 48_000
    edge = min(len(samples) // 2, round(FADE_S * rate_hz))
    samples[:edge] *= np.linspace(0.0, 1.0, edge)
    samples[len(samples) - edge :] *= np.linspace(1.0, 0.0, edge)
    file = io.BytesIO()
    soundfile.write(file, samples, rate_hz, format="MP3", subtype="MPEG_LAYER_III", compression_level=COMPRESSION)
    return file.getvalue()
