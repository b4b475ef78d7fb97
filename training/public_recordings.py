"""Notes, breaths and key sounds of five public collections of recorded instruments.

In: a folder that holds local checkouts of the collections as sub-folders. Out: one `Recording` for each usable file,
with its nominal MIDI pitch, the tuning measured in it, its licence, and whether it is for testing or for training;
and the files that are left out, with the reason. All files are mono. Nothing is copied.
"""

import argparse
import re
import xml.etree.ElementTree as ElementTree
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
import soundfile

Array = npt.NDArray[np.float64]
LICENCES = {
    "karoryfer.bear-sax": "CC0",
    "karoryfer.growlybass": "CC0",
    "MTG.SoloSax": "CC BY 4.0, Music Technology Group (UPF) sample packs, programmed by kinwie",
    "Ixox.Flute": "CC BY 4.0, Xavier Hosxe, programmed by kinwie",
    "spectmorph-instruments": "public domain, University of Iowa Musical Instrument Samples",
}
FAMILIES = {
    "trumpet": "brass",
    "french-horn": "brass",
    "tenor-trombone": "brass",
    "bass-trombone": "brass",
    "flute": "flute",
    "alto-flute": "flute",
    "bass-flute": "flute",
    "oboe": "double reed",
    "bassoon": "double reed",
    "clarinet": "clarinet",
    "bass-clarinet": "clarinet",
    "soprano-saxophone": "saxophone",
    "alto-saxophone": "saxophone",
    "tenor-saxophone": "saxophone",
    "baritone-saxophone": "saxophone",
    "violin": "strings",
    "viola": "strings",
    "cello": "strings",
    "double-bass": "strings",
    "electric-bass": "bass guitar",
}
# Whole families are held out, so that a figure says how the tool does on instruments it has never seen. Saxophones,
# strings and bass have the most notes and repetitions to learn from; the alto saxophone is held out everywhere.
TESTING_FAMILIES = {"brass", "flute", "double reed", "clarinet"}
TESTING_INSTRUMENTS = {"alto-saxophone"}
SAXOPHONES = {
    "sop": "soprano-saxophone",
    "alt": "alto-saxophone",
    "ten": "tenor-saxophone",
    "bar": "baritone-saxophone",
}
DYNAMICS = {"p": "p", "m": "mf", "f": "f"}
SEMITONES = {"c": 0, "d": 2, "e": 4, "f": 5, "g": 7, "a": 9, "b": 11}
MOST_CENTS_OFF = 50.0  # beyond this, relative to its instrument, a recording is not the pitch that it is named
LEAST_LENGTH_S = 0.3


@dataclass(frozen=True)
class Recording:
    """One file: a note (with a MIDI pitch), a breath or a key sound (without)."""

    path: Path
    kind: str
    instrument: str
    source: str
    midi: int | None = None
    dynamic: str = "mf"
    articulation: str = "sustained"
    repetition: int = 1
    channel: int = 0
    sample_rate_hz: int = 0
    tuning_cents: float = 0.0

    @property
    def family(self) -> str:
        """The instrument's family."""
        return FAMILIES[self.instrument]

    @property
    def licence(self) -> str:
        """The licence of the collection, with those to be credited."""
        return LICENCES[self.source]

    @property
    def for_testing(self) -> bool:
        """Whether the recording is kept for testing, and so must never be learnt from."""
        return self.family in TESTING_FAMILIES or self.instrument in TESTING_INSTRUMENTS


def read_public(folder: Path, for_testing: bool | None = None) -> tuple[list[Recording], dict[Path, str]]:
    """Return the usable recordings in the order of their paths, and why each other file is left out.

    ``for_testing`` keeps one side only, which spares measuring the other.
    """
    wanted = [recording for recording in _listed(folder) if for_testing in (None, recording.for_testing)]
    measured = {recording: _measured(recording) for recording in wanted}
    usable = {recording: found for recording, found in measured.items() if isinstance(found, Recording)}
    offsets = _offsets(list(usable.values()))
    unusable = {recording.path: found for recording, found in measured.items() if isinstance(found, str)}
    placed = [_placed(recording, offsets[recording.source, recording.instrument]) for recording in usable.values()]
    for recording, found in zip(usable, placed, strict=True):
        if isinstance(found, str):
            unusable[recording.path] = found
    kept = [recording for recording in placed if isinstance(recording, Recording)]
    return sorted(kept, key=lambda recording: str(recording.path)), unusable


def tuning_cents(samples: Array, rate_hz: float, midi: float) -> float:
    """Return by how many cents a note is off its nominal pitch, by the normalised autocorrelation of its middle.

    The shortest lag whose peak reaches 0.9 of the highest is the period, so that an octave above or below shows
    as 1200 or -1200 cents; NaN where nothing is periodic.
    """
    middle = len(samples) // 2
    size = int(min(rate_hz * 0.5, len(samples)) // 2)
    segment = samples[middle - size : middle + size]
    segment = (segment - segment.mean()) * np.hanning(len(segment))
    correlation = np.fft.irfft(np.abs(np.fft.rfft(segment, 4 * size)) ** 2)
    window = np.fft.irfft(np.abs(np.fft.rfft(np.hanning(2 * size), 4 * size)) ** 2)
    period = rate_hz / (440 * 2 ** ((midi - 69) / 12))
    first, last = int(period / 2.2), int(min(period * 2.2, size)) + 2
    curve = correlation[:last] / np.maximum(window[:last], 1e-12) * window[0] / max(correlation[0], 1e-30)
    peaks = [k for k in range(max(first, 1), last - 1) if curve[k - 1] < curve[k] >= curve[k + 1]]
    if not peaks or max(curve[peaks]) < 0.3:
        return float("nan")
    lag = next(k for k in peaks if curve[k] >= 0.9 * max(curve[peaks]))
    left, centre, right = curve[lag - 1 : lag + 2]
    exact = lag + 0.5 * (left - right) / min(left - 2 * centre + right, -1e-12)
    return float(1200 * np.log2(period / exact))


def _measured(recording: Recording) -> Recording | str:
    samples, rate = soundfile.read(recording.path, always_2d=True)
    samples = samples[:, recording.channel]
    if len(samples) < LEAST_LENGTH_S * rate and recording.kind == "note":
        return f"shorter than {LEAST_LENGTH_S} s"
    if not np.any(samples):
        return "silent"
    cents = tuning_cents(samples, rate, recording.midi) if recording.midi is not None else 0.0
    return replace(recording, sample_rate_hz=rate, tuning_cents=cents) if np.isfinite(cents) else "without a pitch"


def _offsets(recordings: list[Recording]) -> dict[tuple[str, str], float]:
    """Return each instrument's median tuning in cents: some are named in written pitch, an octave or more off."""
    tunings: dict[tuple[str, str], list[float]] = {}
    for recording in recordings:
        cents = [recording.tuning_cents] if recording.midi is not None else []
        tunings.setdefault((recording.source, recording.instrument), []).extend(cents)
    return {instrument: float(np.median(cents)) if cents else 0.0 for instrument, cents in tunings.items()}


def _placed(recording: Recording, offset_cents: float) -> Recording | str:
    """Return a recording at its sounding pitch, or why its pitch cannot be trusted."""
    if recording.midi is None:
        return recording
    if abs(recording.tuning_cents - offset_cents) > MOST_CENTS_OFF:
        return f"{recording.tuning_cents - offset_cents:+.0f} cents from the other notes of its instrument"
    semitones = round(offset_cents / 100)
    return replace(recording, midi=recording.midi + semitones, tuning_cents=recording.tuning_cents - 100 * semitones)


def _listed(folder: Path) -> Iterator[Recording]:
    yield from _iowa(folder / "spectmorph-instruments")
    yield from _solo_sax(folder / "MTG.SoloSax")
    yield from _flute(folder / "Ixox.Flute")
    yield from _bear_sax(folder / "karoryfer.bear-sax")
    yield from _bass(folder / "karoryfer.growlybass")


def _iowa(folder: Path) -> Iterator[Recording]:
    for description in sorted(folder.glob("*/*.xml")):
        instrument = description.parent.name
        if FAMILIES.get(instrument) is None:  # voices, organs and synthesisers, which are not Iowa's
            continue
        for sample in ElementTree.parse(description).iter("sample"):
            path = description.parent / sample.attrib["filename"]
            dynamic = next((d for d in ("ff", "mf", "pp") if re.search(rf"[-_]{d}[-_]", path.name)), "mf")
            yield Recording(path, "note", instrument, folder.name, int(sample.attrib["midi_note"]), dynamic)


def _solo_sax(folder: Path) -> Iterator[Recording]:
    samples = folder / "MTG Solo Saxophones" / "Samples"
    for regions in sorted(folder.glob("*/Data/*_rr1.txt")):  # the other repetitions are transposed neighbours
        for key, name in re.findall(r"key=(\d+) .*?sample=(\w+)\.", regions.read_text()):
            short, dynamic = name.split("_")[:2]
            yield Recording(
                samples / f"{name}.flac", "note", SAXOPHONES[short], folder.name, int(key), DYNAMICS[dynamic]
            )
    for letter, kind in (("b", "breath"), ("k", "key")):
        for path in sorted(samples.glob(f"*_{letter}_*.flac")):
            yield Recording(path, kind, SAXOPHONES[path.name[:3]], folder.name)


def _flute(folder: Path) -> Iterator[Recording]:
    for part, articulation in (("nor", "sustained"), ("det", "staccato")):
        regions = folder / "Data" / "region" / f"{part}.txt"
        text = regions.read_text() if regions.is_file() else ""
        for key, name, dynamic in re.findall(r"pitch_keycenter=(\d+) sample=(\w+?_([pmf])_\w+)\.", text):
            path = folder / "Samples" / f"{name}.flac"
            yield Recording(path, "note", "flute", folder.name, int(key), DYNAMICS[dynamic], articulation)


def _bear_sax(folder: Path) -> Iterator[Recording]:
    layers = {"1": "p", "2": "mp", "3": "mf", "4": "f"}
    for path in sorted((folder / "Samples").glob("*.wav")):
        name, kind, repetition = _parts(path)
        if kind in ("open", "close"):
            yield Recording(path, "key", "baritone-saxophone", folder.name)
        elif path.stem == "noise_breath":
            yield Recording(path, "breath", "baritone-saxophone", folder.name)
        elif kind.startswith("vl"):
            dynamic, midi = layers[kind[2]], _midi(name)
            yield Recording(path, "note", "baritone-saxophone", folder.name, midi, dynamic, "staccato", repetition)


def _bass(folder: Path) -> Iterator[Recording]:
    for path in sorted(folder.glob("sustain/*.wav")):
        name, dynamic, repetition = _parts(path)
        yield Recording(path, "note", "electric-bass", folder.name, _midi(name), dynamic, "sustained", repetition)


def _parts(path: Path) -> tuple[str, str, int]:
    parts = path.stem.split("_")
    return parts[0], parts[1] if len(parts) > 1 else "", int(parts[-1][2:]) if parts[-1].startswith("rr") else 1


def _midi(name: str) -> int:
    """Return the MIDI number of a name such as gb2, where c4 is 60."""
    found = re.fullmatch(r"([a-g])(b?)(\d)", name)
    if not found:
        raise ValueError(f"{name!r} is no note name such as gb2")
    return 12 * (int(found[3]) + 1) + SEMITONES[found[1]] - len(found[2])


def main() -> None:
    """Print how many recordings of each instrument are usable, and what is left out and why."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("--public", type=Path, required=True, help="the folder that holds the checkouts")
    usable, unusable = read_public(parser.parse_args().public)
    counts = Counter((recording.instrument, recording.kind, recording.for_testing) for recording in usable)
    for (instrument, kind, testing), count in sorted(counts.items()):
        print(f"{instrument:20} {kind:7} {'testing' if testing else 'training':9} {count}")
    for path, reason in unusable.items():
        print(f"left out: {path.parent.name}/{path.name}: {reason}")


if __name__ == "__main__":
    main()
