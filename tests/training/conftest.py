"""A small session's parts: one synthesised note of each shape, a recipe, a folder of stand-in recordings."""

import csv
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
import soundfile

from training.noises import InventedNoise
from training.note_editing import Array
from training.recipe import Recipe
from training.synth import VOICES, render_note
from triage.config import read_toml, shipped

RATE_HZ = 48_000


@pytest.fixture(scope="session")
def held() -> Array:
    """A held note: horn, C3 (MIDI 48, 130.81 Hz at A4 = 440 Hz), mf."""
    return render_note(VOICES["horn"], 48, "mf", "sustain", np.random.default_rng(5), RATE_HZ)


@pytest.fixture(scope="session")
def plucked() -> Array:
    """A tone that only dies away, by 40 dB a second."""
    time_s = np.arange(2 * RATE_HZ) / RATE_HZ
    return 0.3 * np.sin(2 * np.pi * 110 * time_s) * 10 ** (-2 * time_s)


@pytest.fixture(scope="session")
def small_recipe() -> Recipe:
    """The evaluation recipe with short gaps, so that a test renders in a moment."""
    whole = read_toml(shipped("configs/evaluation.toml"), Recipe)
    takes = whole.takes.model_copy(update={"pitches": (2, 2), "repetitions": (2, 2), "gap_s": (0.5, 0.7)})
    return whole.model_copy(update={"takes": takes})


@pytest.fixture(scope="session")
def stand_ins(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder like that of the real recordings, filled by the synthesiser: 8 pitches, 2 round robins."""
    folder = tmp_path_factory.mktemp("recordings")
    rng = np.random.default_rng(11)
    notes, noises = [], []
    for pitch in range(48, 56):
        for robin in (1, 2):
            note = render_note(VOICES["horn"], pitch, "f", "staccato", rng, 44_100)
            # 100 ms of near silence first, as in an untrimmed file.
            soundfile.write(folder / f"{pitch}_{robin}.flac", np.pad(note, (4410, 0)), 44_100)
            notes.append((f"{pitch}_{robin}.flac", "horn", pitch, "f", "staccato", robin, "stand-in"))
    for index in range(4):
        clip = InventedNoise(44_100).draw(rng).waveform
        soundfile.write(folder / f"noise{index}.flac", 0.5 * clip / np.abs(clip).max(), 44_100)
        noises.append((f"noise{index}.flac", "creak"))
    columns = ("path", "instrument", "midi_pitch", "dynamic", "articulation", "round_robin", "source")
    _write(folder / "notes.csv", columns, notes)
    _write(folder / "noise.csv", ("path", "category"), noises)
    return folder


def _write(path: Path, columns: tuple[str, ...], rows: Sequence[tuple[object, ...]]) -> None:
    with path.open("w", newline="", encoding="utf-8") as lines:
        csv.writer(lines).writerows([columns, *rows])
