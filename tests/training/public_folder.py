"""A tiny folder in the layout of the public collections: synthesised notes of known pitch, breaths and keys."""

from pathlib import Path

import numpy as np
import soundfile

RATE_HZ = 44_100
IOWA = {"trumpet": 60, "oboe": 64, "french-horn": 48, "violin": 67}
NAMES = ("c", "db", "d", "eb", "e", "f", "gb", "g", "ab", "a", "bb", "b")


def tone(midi: float, length_s: float = 2.0, seed: int = 0, rate_hz: int = RATE_HZ) -> np.ndarray:
    """Return six partials with a soft attack, a held part and a release of 0.25 s."""
    time_s = np.arange(int(length_s * rate_hz)) / rate_hz
    hz = 440 * 2 ** ((midi - 69) / 12)
    phases = np.random.default_rng(seed).uniform(0, 6.3, 6)
    partials = [np.sin(2 * np.pi * hz * k * time_s + phases[k - 1]) / k for k in range(1, 7)]
    shape = np.interp(time_s, (0, 0.03, length_s - 0.25, length_s), (0, 1, 1, 0)) ** 2
    return 0.1 * np.sum(partials, axis=0) * shape


def write_public(folder: Path) -> Path:
    """Write the five collections, a few notes each; the horn's last note is a fourth off its name."""
    for instrument, lowest in IOWA.items():
        _write_iowa(folder / "spectmorph-instruments" / instrument, lowest)
    wrong = folder / "spectmorph-instruments" / "french-horn" / f"note-{IOWA['french-horn'] + 11}.flac"
    soundfile.write(wrong, tone(IOWA["french-horn"] + 16), RATE_HZ)
    _write_solo_sax(folder / "MTG.SoloSax")
    _write_flute(folder / "Ixox.Flute")
    _write_samples(folder / "karoryfer.bear-sax" / "Samples", "{}1_vl4_rr{}.wav", 36, 0.5)
    _write_samples(folder / "karoryfer.growlybass" / "sustain", "{}3_ff_rr{}.wav", 36, 2.0)
    return folder


def _write_iowa(folder: Path, lowest: int) -> None:
    folder.mkdir(parents=True)
    samples = []
    for midi in range(lowest, lowest + 12):
        soundfile.write(folder / f"note-{midi}.flac", tone(midi, seed=midi), RATE_HZ)
        samples.append(f'<sample filename="note-{midi}.flac" midi_note="{midi}"/>')
    (folder / "instrument.xml").write_text(f"<instrument>{''.join(samples)}</instrument>")


def _write_solo_sax(folder: Path) -> None:
    samples, data = folder / "MTG Solo Saxophones" / "Samples", folder / "MTG Solo Saxophones" / "Data"
    samples.mkdir(parents=True)
    data.mkdir()
    noise = 0.01 * np.random.default_rng(1).standard_normal(RATE_HZ // 2)
    for name in ("alt_b_01", "alt_k_01", "ten_b_01"):
        soundfile.write(samples / f"{name}.flac", noise, RATE_HZ)
    soundfile.write(samples / "alt_f_01.flac", tone(49), RATE_HZ)
    (data / "alt_f_rr1.txt").write_text("<region> region_label=01_rr1 seq_position=1 key=49 sample=alt_f_01.$EXT\n")


def _write_flute(folder: Path) -> None:
    (folder / "Samples").mkdir(parents=True)
    (folder / "Data" / "region").mkdir(parents=True)
    soundfile.write(folder / "Samples" / "nor_p_1_1.flac", tone(60.12), RATE_HZ)
    region = "<region> lokey=60 hikey=61 pitch_keycenter=60 sample=nor_p_1_1.$EXT region_label=1_1_p\n"
    (folder / "Data" / "region" / "nor.txt").write_text(region)


def _write_samples(folder: Path, pattern: str, lowest: int, length_s: float) -> None:
    """Write four notes of two repetitions each that sound at ``lowest`` and above, whatever they are named."""
    folder.mkdir(parents=True)
    for step, name in enumerate(NAMES[:4]):
        for repetition in (1, 2):
            sound = tone(lowest + step, length_s, seed=repetition)
            soundfile.write(folder / pattern.format(name, repetition), sound, RATE_HZ)
