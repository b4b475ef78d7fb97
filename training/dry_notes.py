"""Dry notes to plant faults into on the device: recorded, bank and invented ones, end to end in one array.

In: folders of recordings, a sound bank, a seed. Out: samples with, for each note, its part (one instrument,
articulation and dynamic), pitch and shape. Everything follows from the seed; recordings are only read.
"""

from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, fields
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from training import note_editing as shaping
from training.note_editing import Array
from training.note_versions import shortened
from training.pool import ARTICULATIONS, PEAK, RATE_HZ
from training.public_recordings import read_public
from training.recipe import Range, Recipe
from training.recordings import list_notes, trimmed
from training.soundbank import bank_notes, play
from training.synth import Voice, random_voice, render_note
from triage.config import Strict, read_toml, shipped
from triage.domain.errors import ConfigError

PIECES = 64  # voices' notes that one process renders at once


class DryNotesRecipe(Strict):
    """All of [notes] in configs/sizes.toml."""

    recipe: str  # how recordings are listed: octaves, unnamed dynamics
    instruments: tuple[str, ...]  # of the development recordings
    public: tuple[str, ...]  # of the public recordings, training instruments only
    bank: str
    families: tuple[str, ...]
    voices: int
    pitches: int  # of a voice, a run of semitones
    repetitions: int  # of each pitch of a voice
    held_s: Range  # sounding length of a part's notes; one draw a part
    short_s: Range


@dataclass(frozen=True)
class DryNotes:
    """Notes end to end in ``samples`` (int16, peak of each near full scale), one entry a note in the rest."""

    samples: np.ndarray
    start: np.ndarray
    length: np.ndarray  # samples
    end: np.ndarray  # samples until 20 dB down
    early_end: np.ndarray  # samples until 6 dB down: where the release begins
    ring: np.ndarray  # samples until 45 dB down
    gain_db: np.ndarray  # from ``samples`` to the part's own balance, median 0
    centroid_hz: np.ndarray
    plucked: np.ndarray  # bool: it only dies away
    steady: np.ndarray  # bool: it loses less than 6 dB from 1/4 to 3/4 of its length
    part: np.ndarray  # index into ``parts``
    pitch: np.ndarray
    parts: np.ndarray  # names: "tuba/staccato/vl2", "bank Flute/short", "voice 7/marcato/f"

    def save(self, path: Path) -> None:
        """Write the notes."""
        path.parent.mkdir(parents=True, exist_ok=True)
        np.savez(path, **{one.name: getattr(self, one.name) for one in fields(self)})


def load_dry_notes(path: Path) -> DryNotes:
    """Read notes that ``save`` wrote."""
    with np.load(path, allow_pickle=False) as stored:
        return DryNotes(**{one.name: stored[one.name] for one in fields(DryNotes)})


@dataclass(frozen=True)
class Dry:
    """One note at RATE_HZ, onset at sample 0."""

    part: str
    pitch: int
    wave: Array


def build_dry_notes(
    recipe: DryNotesRecipe, recordings: Path, public: Path | None, banks: Path | None, seed: int
) -> DryNotes:
    """Read and render every note."""
    found = list(recorded(recipe, recordings, public, seed))
    found += list(from_bank(recipe, banks, seed)) if banks else []
    return joined(found + from_voices(recipe, seed))


def recorded(recipe: DryNotesRecipe, recordings: Path, public: Path | None, seed: int) -> Iterator[Dry]:
    """Yield the recorded notes; longer ones twice, held and short."""
    listing = read_toml(shipped(recipe.recipe), Recipe)
    for note in list_notes(recordings, listing, recipe.instruments):
        yield from _held_and_short(recipe, "/".join(note.part), note.midi_pitch, note.path, 0.0, seed)
    if public:
        yield from public_notes(recipe, public, seed)


def public_notes(recipe: DryNotesRecipe, public: Path, seed: int) -> Iterator[Dry]:
    """Yield the notes of the recipe's public instruments, brought to their nominal pitch."""
    for one in read_public(public, for_testing=False)[0]:
        if one.instrument in recipe.public and one.midi is not None:
            part = f"{one.instrument}/{one.articulation}/{one.dynamic}/{one.source}"
            yield from _held_and_short(recipe, part, one.midi, one.path, one.tuning_cents, seed)


def _held_and_short(
    recipe: DryNotesRecipe, part: str, pitch: int, path: Path, cents: float, seed: int
) -> Iterator[Dry]:
    wave, rate_hz = trimmed(path)
    wave = shortened(wave, rate_hz, max(recipe.held_s))
    wave = shaping.retune(wave, 2 ** (-cents / 1200) * rate_hz / RATE_HZ)
    rng = np.random.default_rng([seed, 1, *part.encode()])  # one length a part
    held_s, short_s = rng.uniform(*recipe.held_s), rng.uniform(*recipe.short_s)
    yield Dry(part, pitch, shortened(wave, RATE_HZ, held_s))
    if shaping.sounding_end(wave, RATE_HZ) > 1.5 * short_s * RATE_HZ:
        yield Dry(f"{part}/short", pitch, shortened(wave, RATE_HZ, short_s))


def from_bank(recipe: DryNotesRecipe, banks: Path, seed: int) -> Iterator[Dry]:
    """Yield each waveform of the bank's families twice, held and short."""
    for sample in bank_notes(banks / recipe.bank, recipe.families):
        for index, (way, span) in enumerate((("held", recipe.held_s), ("short", recipe.short_s))):
            rng = np.random.default_rng([seed, 2, index, *sample.family.encode()])
            wave = play(sample, 0.0, rng.uniform(*span), rng.uniform(0.04, 0.18), RATE_HZ)
            yield Dry(f"bank {sample.family}/{way}", sample.midi_pitch, wave)


def from_voices(recipe: DryNotesRecipe, seed: int) -> list[Dry]:
    """Return the notes of instruments that nobody has, several repetitions of each."""
    work: list[tuple[str, Voice, int, str, str, int, int]] = []
    for index in range(recipe.voices):
        rng = np.random.default_rng([seed, 3, index])
        voice, lowest = random_voice(rng), int(rng.integers(30, 78))
        for articulation in ARTICULATIONS:
            dynamic = str(rng.choice(["p", "mf", "ff"]))
            for pitch in range(lowest, lowest + recipe.pitches):
                for repetition in range(recipe.repetitions):
                    part = f"voice {index}/{articulation}/{dynamic}"
                    work.append((part, voice, pitch, dynamic, articulation, repetition, seed))
    if len(work) <= PIECES:
        return [_voice_note(one) for one in work]
    with ProcessPoolExecutor(mp_context=get_context("spawn")) as executor:
        return list(executor.map(_voice_note, work, chunksize=PIECES))


def _voice_note(work: tuple[str, Voice, int, str, str, int, int]) -> Dry:
    part, voice, pitch, dynamic, articulation, repetition, seed = work
    rng = np.random.default_rng([seed, 4, pitch, repetition, *part.encode()])
    return Dry(part, pitch, render_note(voice, pitch, dynamic, articulation, rng, RATE_HZ))


def joined(notes: Iterable[Dry]) -> DryNotes:
    """Return notes end to end, each with its shape."""
    found = list(notes)
    if not found:
        raise ConfigError("[notes] names no instrument, family or voice that is there; nothing to train on")
    if len(found) <= PIECES:
        shapes = [_shape(one) for one in found]
    else:
        with ProcessPoolExecutor(mp_context=get_context("spawn")) as executor:
            shapes = list(executor.map(_shape, found, chunksize=PIECES // 2))
    parts = sorted({one.part for one in found})
    part = np.array([parts.index(one.part) for one in found])
    column = {name: np.array([getattr(shape, name) for shape in shapes]) for name in SHAPE_COLUMNS}
    usual_db = np.array([np.median(column["level_db"][part == index]) for index in range(len(parts))])
    length = np.array([len(shape.samples) for shape in shapes])
    return DryNotes(
        samples=np.concatenate([shape.samples for shape in shapes]),
        start=np.cumsum(length) - length,
        length=length,
        end=column["end"],
        early_end=column["early_end"],
        ring=column["ring"],
        gain_db=(20 * np.log10(column["peak"]) - usual_db[part]).astype(np.float32),
        centroid_hz=column["centroid_hz"],
        plucked=column["plucked"],
        steady=column["steady"],
        part=part,
        pitch=np.array([one.pitch for one in found]),
        parts=np.array(parts),
    )


@dataclass(frozen=True)
class NoteShape:
    """A note's samples as DryNotes holds them, and the shape of it."""

    samples: np.ndarray
    peak: float
    level_db: float
    end: int
    early_end: int
    ring: int
    centroid_hz: float
    plucked: bool
    steady: bool


SHAPE_COLUMNS = tuple(one.name for one in fields(NoteShape) if one.name != "samples")


def _shape(note: Dry) -> NoteShape:
    wave = np.pad(note.wave, (0, 64))
    peak, end = float(np.abs(wave).max()), shaping.sounding_end(wave, RATE_HZ)
    return NoteShape(
        samples=np.round(PEAK / peak * wave).astype(np.int16),
        peak=peak,
        level_db=shaping.peak_rms_db(wave, RATE_HZ),
        end=end,
        early_end=shaping.sounding_end(wave, RATE_HZ, 6.0),
        ring=shaping.sounding_end(wave, RATE_HZ, shaping.RING_DROP_DB),
        centroid_hz=shaping.centroid_hz(wave[:end], RATE_HZ),
        plucked=shaping.plucked(wave, RATE_HZ),
        steady=shaping.steady(wave, RATE_HZ),
    )
