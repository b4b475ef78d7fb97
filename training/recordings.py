"""Real single notes and noise clips, from a folder with notes.csv and noise.csv, made ready to play.

A note becomes one channel at the session's rate, trimmed so that its onset is sample 0: the first 5 ms frame
within 35 dB of the note's loudest frame (``shaping.onset_sample``). Levels keep their relation within one
instrument x articulation x dynamic of one source. The folder is only read.
"""

import csv
import zlib
from collections import defaultdict
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
import soundfile

from training import note_editing as shaping
from training.note_editing import Array
from training.plans import NoiseClip, TakePlan
from training.recipe import Recipe
from triage.domain.errors import AudioError

Part = tuple[str, str, str]  # instrument, articulation, dynamic


@dataclass(frozen=True)
class NoteFile:
    """One recorded note of notes.csv; ``midi_pitch`` is the sounding pitch."""

    path: Path
    part: Part
    midi_pitch: int
    round_robin: str


def read_rows(path: Path) -> list[dict[str, str]]:
    """Read one list of recordings."""
    try:
        with path.open(newline="", encoding="utf-8") as lines:
            return list(csv.DictReader(lines))
    except OSError as error:
        raise AudioError(f"{path}: {error.strerror}; name a folder that holds notes.csv and noise.csv") from None


def list_notes(folder: Path, recipe: Recipe, instruments: tuple[str, ...] | None) -> list[NoteFile]:
    """Return the notes of ``instruments`` (None = all), ordered by part, pitch and round robin."""
    notes = [
        NoteFile(
            path=folder / row["path"],
            part=(row["instrument"], row["articulation"], row["dynamic"] or recipe.takes.unnamed_dynamic),
            midi_pitch=int(row["midi_pitch"]) + 12 * recipe.octaves.get(row["source"], 0),
            round_robin=row["round_robin"],
        )
        for row in read_rows(folder / "notes.csv")
        if instruments is None or row["instrument"] in instruments
    ]
    if not notes:
        raise AudioError(f"{folder / 'notes.csv'}: no notes of {instruments}; check the instruments' spelling")
    return sorted(notes, key=lambda note: (note.part, note.midi_pitch, note.round_robin, note.path))


def read_mono(path: Path) -> tuple[Array, int]:
    """Read one recording as the mean of its channels, with its sample rate."""
    try:
        samples, rate_hz = soundfile.read(path, dtype="float64", always_2d=True)
    except (OSError, soundfile.LibsndfileError) as error:
        raise AudioError(f"{path}: not readable ({error})") from None
    return samples.mean(axis=1), rate_hz


class RecordedPlayer:
    """Plays real notes: repetitions are the round robins, then varied copies of them."""

    def __init__(self, notes: list[NoteFile], recipe: Recipe) -> None:
        self.recipe, self.notes = recipe, notes
        self._gain_db: dict[Part, float] = {}

    @cached_property
    def by_pitch(self) -> dict[Part, dict[int, list[NoteFile]]]:
        """Return every part's recordings by pitch."""
        table: dict[Part, dict[int, list[NoteFile]]] = defaultdict(lambda: defaultdict(list))
        for note in self.notes:
            table[note.part][note.midi_pitch].append(note)
        return {part: dict(pitches) for part, pitches in table.items()}

    def can_play(self, plan: TakePlan, midi_pitch: int) -> bool:
        """Tell whether a recording of this pitch is at hand."""
        return midi_pitch in self.by_pitch[plan.part]

    def play(self, plan: TakePlan, midi_pitch: int, repetition: int, rng: np.random.Generator) -> Array:
        """Return one note at the session's rate and level; ``repetition`` counts from 0."""
        files = self.by_pitch[plan.part][midi_pitch]
        vary, copied = self.recipe.variation, repetition >= len(files)
        note, rate_hz = trimmed(files[repetition % len(files)].path)
        cents = rng.uniform(-1, 1) * (vary.copy_cents if copied else vary.every_cents)
        level_db = rng.uniform(-1, 1) * (vary.copy_level_db if copied else vary.every_level_db)
        if copied:
            note = shaping.relength(note, rate_hz, 1 + rng.uniform(-1, 1) * vary.copy_length)
        # Recordings stand at A4 = 440 Hz; a session at 442 Hz plays them as much higher.
        tuning = self.recipe.session.a4_hz / 440.0 * 2 ** (cents / 1200)
        note = shaping.retune(note, tuning * rate_hz / self.recipe.session.sample_rate_hz)
        return note * shaping.amplitude(level_db + self._part_gain_db(plan.part))

    def _part_gain_db(self, part: Part) -> float:
        """Return the gain that brings the part's loudest note to its dynamic's peak."""
        if part not in self._gain_db:
            files = [note for notes in self.by_pitch[part].values() for note in notes]
            peak = max(float(np.abs(read_mono(note.path)[0]).max()) for note in files)
            target = self.recipe.peak_dbfs.get(part[2], -16.0)
            self._gain_db[part] = target - 20 * float(np.log10(peak))
        return self._gain_db[part]


def trimmed(path: Path) -> tuple[Array, int]:
    """Read one note, cut at its onset, with a soft end where the recording stops."""
    note, rate_hz = read_mono(path)
    note = note[shaping.onset_sample(note, rate_hz) :]
    return shaping.faded(note, rate_hz, 0.001, min(0.06, 0.2 * len(note) / rate_hz)), rate_hz


class RecordedNoise:
    """Real noise clips of noise.csv; ``draw`` picks a kind first, so that rare kinds come as often."""

    def __init__(self, folder: Path, recipe: Recipe) -> None:
        self.rate_hz, self.folder = recipe.session.sample_rate_hz, folder
        self.by_kind: dict[str, list[str]] = defaultdict(list)
        for row in read_rows(folder / "noise.csv"):
            kind = recipe.noise.kinds.get(row["category"])
            kept = row.get("source") not in recipe.noise.without_sources
            if kind and kept and recipe.noise.half in _parts(row["path"]):
                self.by_kind[kind].append(row["path"])
        if not self.by_kind:
            raise AudioError(f"{folder / 'noise.csv'}: no clip of the categories in [noise.kinds]; add some")

    def draw(self, rng: np.random.Generator) -> NoiseClip:
        """Return one clip at the session's rate, trimmed to what is within 25 dB of its loudest frame."""
        kind = str(rng.choice(sorted(self.by_kind)))
        path = str(rng.choice(sorted(self.by_kind[kind])))
        clip, rate_hz = read_mono(self.folder / path)
        start = shaping.onset_sample(clip, rate_hz)
        clip = clip[start : shaping.sounding_end(clip, rate_hz, 25.0)]
        return NoiseClip(kind, shaping.retune(clip, rate_hz / self.rate_hz), path)


def quarter_of(path: str) -> int:
    """Return which quarter of the clips one belongs to: crc32 of its path in the list, by 4."""
    return zlib.crc32(path.encode()) % 4


def _parts(path: str) -> tuple[str, ...]:
    """Return the shares of the clips that one belongs to, as NoiseRecipe.half names them."""
    quarter = quarter_of(path)
    return ("all", "second") if quarter % 2 else ("all", "first", "first-a" if quarter == 0 else "first-b")
