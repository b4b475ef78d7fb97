"""Small invented sessions for tests that go the whole way: a horn's short notes, recorded by two microphones.

A take is an array of shape (mic, sample), full scale 1.0: a close microphone and a farther one in a made-up room.
The same seed gives the same take; what is wrong with one is planted by the test that asks for it.
"""

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import soundfile
from scipy.signal import fftconvolve

from tests.intake.files import session_toml, write
from training.synth import VOICES, render_note

RATE_HZ = 48_000
A4_HZ = 442.0  # as in tests.intake.files.session_toml
MICS = ("close", "room")
LEAD_S, GAP_S = 0.5, 0.6  # before the first note; between two notes' rendered ends
REACH_S, REVERB_S = 0.008, 0.4  # of the farther microphone
HEADER = "take,instrument,articulation,dynamic,pitches,repetitions,remark"


def play(pitches: Sequence[float], seed: int, rate_hz: int = RATE_HZ) -> np.ndarray:
    """Return a take of these MIDI pitches in a row (a fraction plays out of tune), shape (mic, sample)."""
    rng = np.random.default_rng([7, seed])
    parts = [np.zeros(round(LEAD_S * rate_hz))]
    for pitch in pitches:
        a4_hz = A4_HZ * 2 ** ((pitch - round(pitch)) / 12)
        parts.append(render_note(VOICES["horn"], round(pitch), "mf", "staccato", rng, rate_hz, a4_hz))
        parts.append(np.zeros(round(GAP_S * rate_hz)))
    return hear(np.concatenate(parts), rng, rate_hz)


def hear(dry: np.ndarray, rng: np.random.Generator, rate_hz: int = RATE_HZ) -> np.ndarray:
    """Return what both microphones give of a dry track: each its own floor, the farther one later and in a room."""
    tail_s = np.arange(round(REVERB_S * rate_hz)) / rate_hz
    room = np.random.default_rng(3).standard_normal(len(tail_s)) * 10 ** (-3 * tail_s / REVERB_S) * 0.01
    room[0] = 1.0
    late = np.concatenate((np.zeros(round(REACH_S * rate_hz)), dry))
    far = fftconvolve(late, 0.6 * room)[: len(dry)]
    floors = rng.standard_normal((2, len(dry))) * 10 ** (np.array([[-76.0], [-72.0]]) / 20)
    return np.stack((dry, far)) + floors


def row(take: str, pitches: Sequence[int], repetitions: int = 2) -> str:
    """Return a take's row of the sheet."""
    return f"{take},horn,staccato,mf,{' '.join(map(str, pitches))},{repetitions},"


def write_takes(
    folder: Path,
    takes: Mapping[str, np.ndarray],
    rows: Sequence[str],
    suffix: str = "wav",
    subtype: str = "PCM_24",
    rate_hz: int = RATE_HZ,
) -> Path:
    """Write a session's folder: the description, the sheet and one file a track."""
    toml = session_toml(name=f"{{take}}_{{mic}}.{suffix}").replace("48000", str(rate_hz))
    write(folder / "session.toml", toml.encode())
    write(folder / "take_sheet.csv", "\n".join((HEADER, *rows, "")).encode())
    (folder / "audio").mkdir(exist_ok=True)
    for name, tracks in takes.items():
        for mic, track in zip(MICS, tracks, strict=True):
            soundfile.write(folder / "audio" / f"{name}_{mic}.{suffix}", track, rate_hz, subtype=subtype)
    return folder
