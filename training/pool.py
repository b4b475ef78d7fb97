"""The pool that the encoder is trained from: dry notes, good and spoilt, of real, bank and invented instruments.

Out comes one array of samples with, for each note: its part (notes that belong together: one instrument, articulation
and dynamic), pitch, the recording it was made from, what was planted and where it shows, and what was measured
on the dry note. Everything follows from the seed. The recordings are only read.
"""

import hashlib
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, fields, replace
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from training import note_editing as shaping
from training.note_editing import Array
from training.performance_faults import FAULTS, Fault
from training.public_recordings import Recording
from training.recipe import Range, Recipe
from training.recordings import NoteFile, list_notes, trimmed
from training.soundbank import BankNote, bank_notes, play
from training.synth import Voice, random_voice, render_note
from triage.config import Strict, read_toml, shipped
from triage.domain.errors import ConfigError
from triage.listen.encoder import PLAYED

RATE_HZ = 48_000
FEW = 64  # dry notes that are not worth starting processes for
PEAK = 29_000  # of every note in the pool's int16
KINDS = ("fine", "intonation", "attack", "length", "level", "tone", "steadiness", "release", "noise")
MEASURED = ("cents", "attack", "length", "brightness", "level")  # 25 cents, octaves of time twice, octaves, 6 dB
SHOWN = ("sag", "late-sag", "wobble", "vibrato", "swell", "cut-off", "crowded")  # without neighbours, as attacks are
ARTICULATIONS = ("sustain", "marcato", "staccato")


class SpreadRecipe(Strict):
    """How much good notes differ, +-."""

    cents: float
    level_db: float
    length: float
    shelf_db: float


class SourceRecipe(Strict):
    """How many notes are made of each dry one."""

    good: int
    spoilt: int
    spread: SpreadRecipe


class BankRecipe(SourceRecipe):
    """The sound bank, the families taken from it, and those kept for validation."""

    file: str
    families: tuple[str, ...]
    held: tuple[str, ...]
    around: int  # semitones to either side that each waveform is retuned to


class InventedRecipe(SourceRecipe):
    """Voices drawn at random; the last ``held`` are kept for validation."""

    voices: int
    held: int
    pitches: int


class PoolRecipe(Strict):
    """All of [pool] in configs/pretrain.toml."""

    recipe: str  # how recordings are listed: octaves, unnamed dynamics, kinds of noise
    instruments: tuple[str, ...]
    public: tuple[str, ...] = ()  # instruments of the public recordings
    most: int = 0  # dry notes of a part, drawn at random; 0 for all
    longest_s: float
    recorded: SourceRecipe
    bank: BankRecipe
    invented: InventedRecipe
    sizes: dict[str, Range]


@dataclass(frozen=True)
class Pool:
    """Notes end to end in ``samples`` (int16, peak of each near full scale), one entry a note in the rest."""

    samples: np.ndarray
    start: np.ndarray
    length: np.ndarray  # samples
    ring: np.ndarray  # samples until it has died away by 45 dB
    end: np.ndarray  # samples until it has died away by 20 dB
    gain_db: np.ndarray  # from ``samples`` to the part's own balance, median 0
    part: np.ndarray  # index into ``parts``
    pitch: np.ndarray
    base: np.ndarray  # notes of one base were made from one recording
    kind: np.ndarray  # index into KINDS
    seen: np.ndarray  # index into PLAYED of what can be seen without neighbours, -1 for nothing
    span_s: np.ndarray  # (note, 2) where it can be seen
    crowd_s: np.ndarray  # the next note comes this soon after the note's end, 0 for any later
    measures: np.ndarray  # (note, MEASURED), in their units; cents are against the base
    parts: np.ndarray  # names: "tuba/staccato/vl2", "bank Flute/short", "voice 7/marcato/f"
    held: np.ndarray  # (part,) bool: kept for validation

    def save(self, path: Path) -> None:
        """Write the pool."""
        path.parent.mkdir(parents=True, exist_ok=True)
        np.savez(path, **{one.name: getattr(self, one.name) for one in fields(self)})

    def digest(self) -> str:
        """Return a hash of all samples."""
        return hashlib.sha256(self.samples.tobytes()).hexdigest()[:16]


def load_pool(path: Path) -> Pool:
    """Read a pool that ``save`` wrote."""
    with np.load(path, allow_pickle=False) as stored:
        return Pool(**{one.name: stored[one.name] for one in fields(Pool)})


@dataclass(frozen=True)
class DryNote:
    """One note before anything is done to it, and how to get at its samples."""

    part: str
    midi_pitch: int
    source: NoteFile | tuple[BankNote, float, float, float] | tuple[Voice, str, str]
    recipe: SourceRecipe
    held: bool = False

    def wave(self, rng: np.random.Generator, longest_s: float) -> Array:
        """Return the note at RATE_HZ, onset at sample 0, no longer than ``longest_s``."""
        if isinstance(self.source, NoteFile):
            wave, rate_hz = trimmed(self.source.path)
            wave = shaping.retune(wave[: round(1.1 * longest_s * rate_hz)], rate_hz / RATE_HZ)
        elif isinstance(self.source[0], BankNote):
            wave = play(*self.source, RATE_HZ)  # type: ignore[arg-type]
        else:
            voice, dynamic, articulation = self.source
            wave = render_note(voice, self.midi_pitch, dynamic, articulation, rng, RATE_HZ)  # type: ignore[arg-type]
        most = round(longest_s * rng.uniform(0.97, 1.0) * RATE_HZ)
        return wave if len(wave) <= most else shaping.faded(wave[:most], RATE_HZ, 0.0, 0.3)


@dataclass
class PoolNote:
    """One note of the pool; once done, ``wave`` is int16 with ``peak`` at PEAK."""

    wave: Array
    part: str
    pitch: int
    cents: float
    base: int = 0
    kind: str = "fine"
    seen: str = ""
    span_s: tuple[float, float] = (0.0, 0.0)
    crowd_s: float = 0.0
    held: bool = False
    measures: list[float] = field(default_factory=list)
    peak: float = 1.0
    end: int = 0
    ring: int = 0

    def done(self) -> "PoolNote":
        """Return the note measured, and with its samples as the pool holds them."""
        wave = np.pad(self.wave, (0, 64))
        peak = float(np.abs(wave).max())
        return replace(
            self,
            wave=np.round(PEAK / peak * wave).astype(np.int16),
            peak=peak,
            measures=_measures(self),
            end=shaping.sounding_end(wave, RATE_HZ),
            ring=shaping.sounding_end(wave, RATE_HZ, shaping.RING_DROP_DB),
        )


def build_pool(
    recipe: PoolRecipe, recordings: Path, banks: Path | None, seed: int, public: Sequence[Recording] = ()
) -> Pool:
    """Make every note, one process a core; ``public`` are the recordings from which the recipe's may be taken."""
    jobs = _fewer([*_dry_notes(recipe, recordings, banks, seed), *_public_notes(recipe, public)], recipe.most, seed)
    work = [(dry, recipe, seed, number) for number, dry in enumerate(jobs)]
    if len(work) <= FEW:
        return pool_of([note for one in work for note in _make(one)])
    with ProcessPoolExecutor(mp_context=get_context("spawn")) as executor:
        return pool_of([note for notes in executor.map(_make, work, chunksize=8) for note in notes])


def _dry_notes(recipe: PoolRecipe, recordings: Path, banks: Path | None, seed: int) -> Iterator[DryNote]:
    listing = read_toml(shipped(recipe.recipe), Recipe)
    for note in list_notes(recordings, listing, recipe.instruments):
        yield DryNote("/".join(note.part), note.midi_pitch, note, recipe.recorded)
    bank = recipe.bank
    for sample in bank_notes(banks / bank.file, (*bank.families, *bank.held)) if banks else ():
        for index, way in enumerate(("held", "short")):
            own = np.random.default_rng([seed, index, *sample.family.encode()])  # one length a family
            shape = (
                (own.uniform(0.7, 2.0), own.uniform(0.06, 0.2))
                if way == "held"
                else (own.uniform(0.15, 0.4), own.uniform(0.03, 0.1))
            )
            for semitones in range(-bank.around, bank.around + 1):
                yield DryNote(
                    f"bank {sample.family}/{way}",
                    sample.midi_pitch + semitones,
                    (sample, semitones, *shape),
                    bank,
                    sample.family in bank.held,
                )
    yield from _voices(recipe.invented, seed)


def _public_notes(recipe: PoolRecipe, public: Sequence[Recording]) -> Iterator[DryNote]:
    for one in public:
        if one.instrument in recipe.public and one.midi is not None:
            part = (one.instrument, one.source, f"{one.articulation} {one.dynamic}")
            note = NoteFile(one.path, part, one.midi, str(one.repetition))
            yield DryNote("/".join(part), one.midi, note, recipe.recorded)


def _fewer(notes: list[DryNote], most: int, seed: int) -> list[DryNote]:
    """Return so many notes of each part, in their order; those of a part lie near to one another in pitch."""
    if not most:
        return notes
    parts: dict[str, list[int]] = {}
    for at, note in enumerate(notes):
        parts.setdefault(note.part, []).append(at)
    kept: set[int] = set()
    for name, own in parts.items():
        own.sort(key=lambda at: notes[at].midi_pitch)
        first = int(np.random.default_rng([seed, 7, *name.encode()]).integers(max(1, len(own) - most + 1)))
        kept.update(own[first : first + most])
    return [note for at, note in enumerate(notes) if at in kept]


def _voices(recipe: InventedRecipe, seed: int) -> Iterator[DryNote]:
    """Draw instruments that nobody has; each plays one run of semitones in every articulation."""
    for index in range(recipe.voices):
        rng = np.random.default_rng([seed, 5, index])
        voice = random_voice(rng)
        lowest = int(rng.integers(30, 78))
        for articulation in ARTICULATIONS:
            dynamic = str(rng.choice(["p", "mf", "ff"]))
            for pitch in range(lowest, lowest + recipe.pitches):
                yield DryNote(
                    f"voice {index}/{articulation}/{dynamic}",
                    pitch,
                    (voice, dynamic, articulation),
                    recipe,
                    index >= recipe.voices - recipe.held,
                )


def _make(work: tuple[DryNote, PoolRecipe, int, int]) -> list[PoolNote]:
    """Return the good and the spoilt notes made of one dry one."""
    dry, recipe, seed, number = work
    rng = np.random.default_rng([seed, 6, number])
    own, real = dry.recipe, isinstance(dry.source, NoteFile)
    made = []
    first = dry.wave(rng, recipe.longest_s)
    suited = [fault for fault in FAULTS.values() if fault.name in recipe.sizes and fault.suits(first, RATE_HZ)]
    for index in range(own.good + own.spoilt):
        wave = (
            first
            if real or (isinstance(dry.source, tuple) and isinstance(dry.source[0], BankNote))
            else (dry.wave(rng, recipe.longest_s))
        )
        note = PoolNote(wave, dry.part, dry.midi_pitch, 0.0, number, held=dry.held)
        if not (real and index == 0):  # the first of a recording is the recording itself
            note = varied(note, own.spread, rng)
        if index >= own.good and suited:
            fault = _drawn(suited, rng)
            note = spoilt(note, fault, fault.draw(rng, recipe.sizes), rng)
        made.append(note.done())
    return made


def _drawn(suited: Sequence[Fault], rng: np.random.Generator) -> Fault:
    """Draw a kind first, so that a kind with many faults comes no more often."""
    kind = str(rng.choice(sorted({fault.kind for fault in suited})))
    own = [fault for fault in suited if fault.kind == kind]
    return own[int(rng.integers(len(own)))]


def varied(note: PoolNote, spread: SpreadRecipe, rng: np.random.Generator) -> PoolNote:
    """Return the note as it might have been played again."""
    cents, level_db, length, shelf_db = (
        float(np.clip(0.5 * rng.standard_normal(), -1, 1)) * size
        for size in (spread.cents, spread.level_db, spread.length, spread.shelf_db)
    )
    wave = shaping.relength(note.wave, RATE_HZ, 1 + length) if abs(length) > 0.005 else note.wave
    wave = shaping.retune(wave, 2 ** (cents / 1200))
    centre_hz = shaping.centroid_hz(wave[: shaping.sounding_end(wave, RATE_HZ)], RATE_HZ)
    wave = shaping.high_shelf(wave, RATE_HZ, max(60.0, centre_hz), shelf_db) * shaping.amplitude(level_db)
    return replace(note, wave=wave, cents=note.cents + cents)


def spoilt(note: PoolNote, fault: Fault, size: float, rng: np.random.Generator) -> PoolNote:
    """Return the note with a fault of this size, and where it shows."""
    end_s = shaping.sounding_end(note.wave, RATE_HZ) / RATE_HZ
    wave = fault.plant(note.wave, RATE_HZ, rng, size)
    begin_s = min(abs(size), 0.5 * end_s)
    span_s = {
        "sag": (0.5 * end_s, end_s),
        "late-sag": (0.75 * end_s, end_s),
        "wobble": (0.08, end_s),
        "vibrato": (0.08, end_s),
        "swell": (0.4 * end_s, end_s),
        "late": (0.0, 1.6 * begin_s),
        "cut-off": (0.9 * end_s, end_s + 0.15),
        "crowded": (end_s - 0.02, end_s + 0.15),
    }.get(fault.name, (0.0, begin_s + 0.03))
    if fault.name == "cut-off":
        new_s = shaping.sounding_end(wave, RATE_HZ) / RATE_HZ
        span_s = (new_s - 0.05, new_s + 0.12)
    shown = fault.kind == "attack" or fault.name in SHOWN
    cents = {"off-pitch": size, "sag": 0.4 * size}.get(fault.name, 0.0)
    return replace(
        note,
        wave=wave,
        kind=fault.kind,
        seen=fault.kind if shown else "",
        span_s=span_s,
        crowd_s=size if fault.name == "crowded" else 0.0,
        cents=note.cents + cents,
    )


def _measures(note: PoolNote) -> list[float]:
    """Return MEASURED of the dry note."""
    end = shaping.sounding_end(note.wave, RATE_HZ)
    levels = shaping.frame_levels_db(note.wave, RATE_HZ)
    attack_s = shaping.FRAME_S * (1 + int(np.argmax(levels >= levels.max() - 6)))
    centre_hz = shaping.centroid_hz(note.wave[:end], RATE_HZ)
    return [
        note.cents / 25,
        float(np.log2(attack_s)),
        float(np.log2(end / RATE_HZ)),
        float(np.log2(max(centre_hz, 20.0))),
        shaping.peak_rms_db(note.wave, RATE_HZ) / 6,
    ]


def pool_of(made: list[PoolNote]) -> Pool:
    """Return notes end to end, as a pool."""
    if not made:
        raise ConfigError("[pool] names no instrument, family or voice that is there; nothing to train on")
    parts = sorted({note.part for note in made})
    part = np.array([parts.index(note.part) for note in made])
    length = np.array([len(note.wave) for note in made])
    level_db = np.array([6 * note.measures[MEASURED.index("level")] for note in made])
    usual_db = np.array([np.median(level_db[part == index]) for index in range(len(parts))])
    kept = {note.part for note in made if note.held}
    return Pool(
        samples=np.concatenate([n.wave for n in made]),
        start=np.cumsum(length) - length,
        length=length,
        ring=np.array([n.ring for n in made]),
        end=np.array([n.end for n in made]),
        gain_db=(20 * np.log10([n.peak for n in made]) - usual_db[part]).astype(np.float32),
        part=part,
        pitch=np.array([n.pitch for n in made]),
        base=np.array([n.base for n in made]),
        kind=np.array([KINDS.index(n.kind) for n in made]),
        seen=np.array([PLAYED.index(n.seen) if n.seen else -1 for n in made]),
        span_s=np.array([n.span_s for n in made], np.float32),
        crowd_s=np.array([n.crowd_s for n in made]),
        measures=np.array([n.measures for n in made], np.float32),
        parts=np.array(parts),
        held=np.array([name in kept for name in parts]),
    )
