"""What a session holds before any sound is made: players, takes, natural spread, and which takes are spoilt how.

Notes come from the recordings at their own pitch; a repetition without a recording of its own is a real neighbour,
resampled by at most two semitones. Every draw comes from the session's seed.
"""

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

from training.public_recordings import Recording
from training.trial.jnd import JNDS, SIZES, is_reject
from training.trial.noises import LASTING, PASSING
from training.trial.notes import SPOILS
from training.trial.technical import IN_FILES, TECHNICAL

FARTHEST_NEIGHBOUR = 2  # semitones
SPOILT_SHARE = 0.2
SMALL_SHARE = 0.05  # takes with a fault below what is rejected
STRUCTURAL = ("semitone off", "octave off", "sheet an octave off", "missing note", "extra note")
LENGTHS_S = {"sustained": (1.0, 1.6), "short": (0.3, 0.5)}
# Technical faults have no size, and a session has few of them.
FAMILY_WEIGHTS = {"playing": 0.5, "structural": 0.12, "noise": 0.22, "technical": 0.16}
FAMILIES = {
    "playing": (*SPOILS, "too long", "cut-off tail"),
    "structural": STRUCTURAL,
    "noise": (*PASSING, *LASTING),
    "technical": (*TECHNICAL, *IN_FILES),
}


@dataclass
class PlannedNote:
    """One note that is played: what the sheet asks for, which recording sounds, its natural spread."""

    sheet_midi: int
    midi: int
    recording: Recording
    cents: float  # off the equal temperament of `midi`, drift included
    level_db: float  # relative to the player's level
    length_s: float
    gap_s: float
    faults: dict[str, float] = field(default_factory=dict)  # kind -> size in JND


@dataclass
class PlantedFault:
    """A planted fault: its size in JND (None where it has none) and the note it is on, from 1 (None: the take)."""

    kind: str
    size: float | None
    note: int | None

    @property
    def rejects(self) -> bool:
        """Whether a producer rejects the take for it."""
        return is_reject(self.kind, self.size)


@dataclass
class PlannedTake:
    """One take: its row of the sheet, the notes played, and the planted faults."""

    name: str
    instrument: str
    articulation: str
    dynamic: str
    pitches: tuple[int, ...]
    repetitions: int
    notes: list[PlannedNote]
    faults: list[PlantedFault] = field(default_factory=list)


@dataclass(frozen=True)
class TrialPlayer:
    """One instrument of a session, with how consistently it is played."""

    instrument: str
    dynamic: str
    articulation: str
    notes: dict[int, list[Recording]]
    cents: float
    level_db: float
    length: float
    target_s: float


def plan_session(
    recordings: Sequence[Recording], rng: np.random.Generator, takes: int | None = None
) -> list[PlannedTake]:
    """Return the takes of a session of 76 to 116 takes (or so many) in the order of recording."""
    count = takes or int(rng.integers(76, 117))
    players = _players(recordings, rng)
    planned: list[PlannedTake] = []
    while len(planned) < count:
        for player in players:
            planned += _pass(player, rng)
    planned = planned[:count]
    for place, take in enumerate(planned):
        take.name = f"T{place + 1:03}"
        _drift(take, place / count, rng)
    _spoil(planned, recordings, rng)
    return planned


def _players(recordings: Sequence[Recording], rng: np.random.Generator) -> list[TrialPlayer]:
    layers: dict[tuple[str, str], dict[int, list[Recording]]] = defaultdict(lambda: defaultdict(list))
    for recording in recordings:
        if recording.midi is not None and recording.articulation == "sustained":
            layers[recording.instrument, recording.dynamic][recording.midi].append(recording)
    instruments = sorted({instrument for instrument, _ in layers})
    chosen = rng.permutation(instruments)[: int(rng.integers(2, 5))]
    return [
        TrialPlayer(
            instrument,
            dynamic,
            articulation,
            dict(notes),
            float(rng.uniform(2, 6)),
            float(rng.uniform(0.5, 1.3)),
            float(rng.uniform(0.03, 0.08)),
            float(rng.uniform(*LENGTHS_S[articulation])),
        )
        for (instrument, dynamic), notes in sorted(layers.items())
        if instrument in chosen and len(notes) >= 8
        for articulation in LENGTHS_S
    ]


def _pass(player: TrialPlayer, rng: np.random.Generator) -> Iterator[PlannedTake]:
    """Yield runs of two to five pitches upwards through an instrument's range, of six notes at most."""
    pitches = sorted(player.notes)
    repetitions = int(rng.integers(1, 4))
    place = int(rng.integers(0, 3))
    while place + 5 <= len(pitches):
        run = tuple(pitches[place : place + (int(rng.integers(3, 6)) if repetitions == 1 else 5 - repetitions)])
        place += len(run)
        notes = [_note(player, midi, repeat, rng) for midi in run for repeat in range(repetitions)]
        yield PlannedTake("", player.instrument, player.articulation, player.dynamic, run, repetitions, notes)


def _note(player: TrialPlayer, midi: int, repeat: int, rng: np.random.Generator) -> PlannedNote:
    return PlannedNote(
        midi,
        midi,
        _recording(player.notes, midi, repeat),
        float(rng.normal(0, player.cents)),
        float(rng.normal(0, player.level_db)),
        float(player.target_s * np.exp(rng.normal(0, player.length))),
        float(rng.uniform(0.5, 0.9)),
    )


def _recording(notes: dict[int, list[Recording]], midi: int, repeat: int) -> Recording:
    """Return the repeat's own recording, else the nearest neighbour that has not been used for this pitch."""
    near = sorted(
        (recording for pitch in notes for recording in notes[pitch] if abs(pitch - midi) <= FARTHEST_NEIGHBOUR),
        key=lambda recording: (abs((recording.midi or 0) - midi), recording.repetition, str(recording.path)),
    )
    return near[repeat % len(near)]


def _drift(take: PlannedTake, time: float, rng: np.random.Generator) -> None:
    """Let the tuning rise by 6 cents and the level fall by 1 dB from the first take (time 0) to the last (1)."""
    offset = float(rng.normal(0, 1.0))
    for note in take.notes:
        note.cents += 6 * time + offset
        note.level_db -= time


def _spoil(takes: list[PlannedTake], recordings: Sequence[Recording], rng: np.random.Generator) -> None:
    order = rng.permutation(len(takes))
    spoilt, small = round(SPOILT_SHARE * len(takes)), round(SMALL_SHARE * len(takes))
    shuffled = {family: _shuffled(kinds, rng) for family, kinds in FAMILIES.items()}
    names = list(FAMILIES)
    weights = list(FAMILY_WEIGHTS.values())
    for number in order[:spoilt]:
        kind = next(shuffled[str(rng.choice(names, p=weights))])
        size = float(rng.choice([size for size in SIZES if is_reject(kind, size)])) if kind in JNDS else None
        _plant(takes[number], kind, size, recordings, rng)
    for number in order[spoilt : spoilt + small]:
        kind = next(shuffled["playing" if rng.random() < 0.7 else "noise"])
        size = float(rng.choice([size for size in SIZES if not is_reject(kind, size)]))
        _plant(takes[number], kind, size, recordings, rng)


def _shuffled(kinds: Sequence[str], rng: np.random.Generator) -> Iterator[str]:
    while True:
        yield from (kinds[place] for place in rng.permutation(len(kinds)))


def _plant(
    take: PlannedTake, kind: str, size: float | None, recordings: Sequence[Recording], rng: np.random.Generator
) -> None:
    place = len(take.notes) - 1 if kind == "cut-off tail" else int(rng.integers(len(take.notes)))
    note = take.notes[place]
    if kind == "too long":
        note.length_s *= 1 + JNDS[kind].step * (size or 0)
    elif kind in SPOILS:
        note.faults[kind] = size or 0.0
    elif kind in STRUCTURAL:
        _misplay(take, place, kind, recordings, rng)
    whole = kind in FAMILIES["technical"] or kind in LASTING or kind in PASSING or kind == "sheet an octave off"
    take.faults.append(PlantedFault(kind, size, None if whole else place + 1))


def _misplay(
    take: PlannedTake, place: int, kind: str, recordings: Sequence[Recording], rng: np.random.Generator
) -> None:
    note, up = take.notes[place], 1 if rng.random() < 0.5 else -1
    if kind == "missing note":
        del take.notes[place]
    elif kind == "extra note":
        take.notes.insert(place, _again(note))
    elif kind == "sheet an octave off":
        take.pitches = tuple(pitch + 12 * up for pitch in take.pitches)
        for each in take.notes:
            each.sheet_midi += 12 * up
    else:
        interval = 12 if kind == "octave off" else 1
        note.midi, note.recording = min(
            ((midi, _nearest(note.recording, midi, recordings)) for midi in _either(note.midi, up * interval)),
            # Beyond the end of the range a note would have to be resampled by too much.
            key=lambda choice: max(abs(choice[0] - (choice[1].midi or 0)), FARTHEST_NEIGHBOUR),
        )


def _either(midi: int, interval: int) -> tuple[int, int]:
    return midi + interval, midi - interval


def _nearest(recording: Recording, midi: int, recordings: Sequence[Recording]) -> Recording:
    """Return the recording of the same instrument and dynamic that is nearest to a pitch."""
    cell = (recording.instrument, recording.dynamic, recording.articulation)
    same = [other for other in recordings if (other.instrument, other.dynamic, other.articulation) == cell]
    return min(same, key=lambda other: abs((other.midi or 0) - midi))


def _again(note: PlannedNote) -> PlannedNote:
    return PlannedNote(
        note.sheet_midi, note.midi, note.recording, note.cents, note.level_db, note.length_s, note.gap_s
    )
