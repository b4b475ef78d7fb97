"""Sessions for the benchmarks: an invented horn in a made-up hall, as long and with as many microphones as asked.

Each microphone is the player later and softer, the hall, and a floor of its own; some takes hold a knock, a creak or
a breath. The same seed gives the same session. Rendering is kept cheap: two hall tails serve all microphones.
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from scipy.signal import fftconvolve

from training.noises import breath, creak, knock
from training.synth import VOICES, render_note

ROLES = ("close", "spot", "main", "outrigger", "room")
A4_HZ, EVERY_S, LEAD_S, TAIL_S = 442.0, 3.0, 0.5, 1.2
LOWEST, SPAN = 48, 24  # MIDI


@dataclass(frozen=True)
class Size:
    """How large a session is."""

    takes: int = 1
    tracks: int = 24
    take_s: float = 60.0
    rate_hz: int = 48_000


def write_made(folder: Path, size: Size, seed: int = 0) -> Path:
    """Write a session's folder and return it."""
    (folder / "audio").mkdir(parents=True, exist_ok=True)
    write_description(folder, size)
    for number in range(1, size.takes + 1):
        for mic, track in enumerate(play(size, seed + number), 1):
            soundfile.write(folder / "audio" / f"{name(number)}_m{mic:02}.wav", track, size.rate_hz, "PCM_24")
    return folder


def write_description(folder: Path, size: Size) -> None:
    """Write session.toml and the take sheet."""
    mics = "".join(f'[[mics]]\nname = "m{k + 1:02}"\nrole = "{ROLES[k % 5]}"\n' for k in range(size.tracks))
    (folder / "session.toml").write_text(
        f'[session]\nname = "{folder.name}"\ndate = 2026-03-14\nsample_rate_hz = {size.rate_hz}\na4_hz = {A4_HZ}\n'
        f'[files]\nname = "{{take}}_{{mic}}.wav"\n{mics}'
    )
    rows = [f"{name(n)},horn,sustain,mf,{' '.join(map(str, pitches(size, n)))},1," for n in range(1, size.takes + 1)]
    header = "take,instrument,articulation,dynamic,pitches,repetitions,remark"
    (folder / "take_sheet.csv").write_text("\n".join((header, *rows, "")))


def name(number: int) -> str:
    """Return a take's name."""
    return f"T{number:03}"


def pitches(size: Size, number: int) -> list[int]:
    """Return the MIDI pitches of a take: up the scale, from another start each time."""
    count = max(1, int((size.take_s - LEAD_S - TAIL_S) / EVERY_S))
    return [LOWEST + (5 * number + k) % SPAN for k in range(count)]


def play(size: Size, seed: int) -> np.ndarray:
    """Return a take [shape=(mic, sample), float32]."""
    rng, n = np.random.default_rng([11, seed]), round(size.take_s * size.rate_hz)
    dry = np.zeros(n)
    for k, pitch in enumerate(pitches(size, seed)):
        note = render_note(VOICES["horn"], pitch, "mf", "sustain", rng, size.rate_hz, A4_HZ)
        _add(dry, note, round((LEAD_S + EVERY_S * k) * size.rate_hz))
    for maker in (knock, creak, breath)[: rng.integers(0, 4)]:
        _add(dry, 0.02 * maker(size.rate_hz, rng), round(rng.uniform(0.2, size.take_s - 2) * size.rate_hz))
    halls = [_hall(dry, size.rate_hz, rng) for _ in range(2)]
    floor = rng.standard_normal(2 * n).astype(np.float32)
    tracks = np.empty((size.tracks, n), np.float32)
    for mic in range(size.tracks):
        far = mic / max(size.tracks - 1, 1)
        late, at = round(0.03 * far * size.rate_hz), int(rng.integers(0, n))
        heard = (1 - 0.8 * far) * dry + (0.15 + 0.35 * far) * halls[mic % 2]
        tracks[mic] = np.concatenate((np.zeros(late), heard[: n - late])) + 10 ** (-3.9) * floor[at : at + n]
    return tracks


def _add(dry: np.ndarray, sound: np.ndarray, at: int) -> None:
    part = sound[: len(dry) - at]
    dry[at : at + len(part)] += part


def _hall(dry: np.ndarray, rate_hz: int, rng: np.random.Generator, rt60_s: float = 1.6) -> np.ndarray:
    """Return the hall's answer: noise that falls by 60 dB in ``rt60_s``."""
    time_s = np.arange(round(rt60_s * rate_hz)) / rate_hz
    tail = rng.standard_normal(len(time_s)) * 10 ** (-3 * time_s / rt60_s)
    return fftconvolve(dry, tail / np.sqrt((tail**2).sum()))[: len(dry)]
