"""One small session in a store, its recordings in a folder: four takes of two notes on two microphones."""

from datetime import date
from pathlib import Path

import numpy as np
import soundfile
from sqlalchemy import Engine

from triage.domain.hit import Hit
from triage.domain.judgement import ExpectedValues, Judgement, NoteJudgement, TakeJudgement
from triage.domain.note import Note
from triage.domain.preview import Preview
from triage.domain.session import Session
from triage.domain.spot import Spot
from triage.domain.take import Take, Track
from triage.listen.logmel import LogMel
from triage.listen.preview import Contour, Sketch, compress_contours, spectrogram
from triage.store.engine import writing
from triage.store.ranking import save_judgement
from triage.store.takes import save_session, save_take

RATE_HZ = 48_000
TAKES = ("T001", "T002", "T003", "T004")
DOUBTS = (0.9, 0.4, 0.2, 0.1)
LEVELS_DB = (-20.0, -26.0, -20.0, -20.0)  # of the close microphone

# Of the notes of T001: what was expected, and the ends of its band; nothing is known of the level of the second.
VALUES = [[[0.41, 0.3, 0.55], [-20.0, -22.0, -18.0]], [[0.5, 0.4, 0.6], [np.nan, np.nan, np.nan]]]
EXPECTED = ExpectedValues("T001", (1, 2), ("length_s", "level_dbfs"), np.array(VALUES, "<f4").tobytes())


def whole_numbers(take: str, mic: str) -> np.ndarray:
    """Return a take's samples as whole numbers of 24 bits: noise, so that every sample is unlike its neighbours."""
    rng = np.random.default_rng([TAKES.index(take), mic == "room"])
    level = 10 ** (LEVELS_DB[TAKES.index(take)] / 20)
    return np.round(rng.uniform(-1, 1, 3 * RATE_HZ) * level * 2**23).astype(np.int32)


def fill(engine: Engine, folder: Path) -> dict[str, int]:
    """Write the recordings and store the session; return take name -> id."""
    (folder / "audio").mkdir(parents=True, exist_ok=True)
    with writing(engine) as db:
        record = Session("mill", str(folder), date(2026, 3, 14), RATE_HZ, 442.0, "close")
        session_id = save_session(db, record)
        ids = {name: save_take(db, session_id, _take(folder, name)) for name in TAKES}
        takes = tuple(TakeJudgement(n, d, 10 * d, r) for r, (n, d) in enumerate(zip(TAKES, DOUBTS, strict=True), 1))
        pairs = [(name, doubt / 2) for name, doubt in zip(TAKES, DOUBTS, strict=True)]
        notes = tuple(NoteJudgement(name, k, half, half, 0.0) for name, half in pairs for k in (1, 2))
        spots = (
            Spot("T001", 0.1, 0.9, 1, "length", 0.8, "0.21 s longer than its neighbours", None, 0.62, 0.41, "s"),
            Spot("T001", 1.5, 1.51, 2, "click", 0.5, "click in the room microphone", "room"),
        )
        save_judgement(db, session_id, Judgement("m 1", takes, notes, spots, None, (EXPECTED,)))
    return ids


def _take(folder: Path, name: str) -> Take:
    tracks, previews = [], []
    for mic in ("close", "room"):
        path, samples = folder / "audio" / f"{name}_{mic}.wav", whole_numbers(name, mic)
        soundfile.write(path, samples << 8, RATE_HZ, subtype="PCM_24")
        tracks.append(Track(mic, f"audio/{path.name}", 0, RATE_HZ, 24, len(samples)))
        previews.append(preview_of(mic, samples))
    notes = (
        Note(1, 0.1, 0.9, 1.2, 60, 60, {"cents": 3.0, "length_s": 0.62}),
        Note(2, 1.4, 2.2, 2.6, 62, 62, {"cents": 1.0}),
    )
    hits = (Hit("click", 1.5, 1.51, "room", ("room",), -40.0, 20.0, 0.9, 2),)
    return Take(
        name,
        f"f{name}",
        "horn",
        "staccato",
        "ff",
        None,
        (60, 62),
        1,
        3.0,
        tracks=tuple(tracks),
        notes=notes,
        hits=hits,
        measured_mic="close",
        audio_digest=f"sound of {name}",
        previews=tuple(previews),
    )


def preview_of(mic: str, samples: np.ndarray) -> Preview:
    wave = (samples / 2**23).astype(np.float32)[None]
    sketch = Sketch(RATE_HZ, 1)
    sketch.add(wave)
    outline, drawn = sketch.outline(0), spectrogram(LogMel(RATE_HZ)(wave)[0])
    contours = compress_contours([Contour(1, 0.1, np.array([6000.0, np.nan]))]) if mic == "close" else None
    return Preview(mic, outline.compressed, outline.hop_s, drawn.png, drawn.hop_s, 40.0, 19_000.0, contours)
