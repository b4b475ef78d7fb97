"""Planted truth for consistency: sessions in a store whose measurements were shifted by known amounts.

In: a ``Planted`` with the size of every shift, in units of the noise from note to note. Out: a filled store, and each
factor's true share of the variance. No audio is rendered: what a factor does to a number is exactly known only if the
number is made. The players, halls and days are invented.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta

import numpy as np
from sqlalchemy import Connection, Engine

from triage.domain.judgement import Judgement, NoteJudgement
from triage.domain.measurements import COMPARED
from triage.domain.note import Note
from triage.domain.session import Session
from triage.domain.take import Take
from triage.judge.curves import QUANTITIES
from triage.store.engine import writing
from triage.store.ranking import save_judgement
from triage.store.takes import save_session, save_take

# One sigma from note to note and a step of the dynamics, on the compared axis: log for seconds and hertz.
USUAL = {"length": 0.5, "level": -20.0, "brightness": 1200.0, "attack": 0.04, "tuning": 0.0}
NOISE = {"length": 0.04, "level": 0.8, "brightness": 0.04, "attack": 0.12, "tuning": 3.0}
LOUDER = {"level": 5.0, "brightness": 0.25}
FIRST_DAY, BEGIN = date(2026, 3, 14), (10, 0)
TAKE_MINUTES, LATER_HOURS = 2.5, 3.5  # from take to take, and from session to session
DIMENSION = 12


@dataclass(frozen=True)
class Shift:
    """What moves one quantity: standard deviations over the notes, in units of its noise."""

    register: float = 0.0
    day: float = 0.0
    setup: float = 0.0
    pitch: float = 0.4
    take: float = 0.3
    shape: str = "slope"  # of the register: slope, bend or low (the lowest fifth alone)
    per_hour: float = 0.0  # drift, same unit


@dataclass(frozen=True)
class Planted:
    """A whole library's worth of sessions."""

    shifts: Mapping[str, Shift] = field(default_factory=dict)
    instrument: str = "horn"
    articulation: str = "staccato"
    dynamics: tuple[str, ...] = ("p", "mf", "ff")
    lowest: int = 41
    pitches: int = 30
    repetitions: int = 3
    take_pitches: int = 5
    days: int = 2
    sessions: int = 2  # a day; the first with set-up A, the next with set-up B, and so on
    exact: bool = True  # what chance adds to a planted factor is taken out again, so that its share is known

    def shift(self, quantity: str) -> Shift:
        """Return what moves a quantity."""
        return self.shifts.get(quantity, Shift())


@dataclass(frozen=True)
class _PlantedNotes:
    """Every note to be played, one row a note."""

    day: np.ndarray
    session: np.ndarray  # of the day
    turn: np.ndarray  # of the take in its session, from 1
    dynamic: np.ndarray
    tone: np.ndarray  # from 0

    @property
    def take(self) -> np.ndarray:
        """Return a number for every take."""
        return np.unique(np.column_stack([self.day, self.session, self.turn]), axis=0, return_inverse=True)[1].ravel()

    @property
    def hour(self) -> np.ndarray:
        """Return the hours since the first take of the day could begin."""
        return LATER_HOURS * self.session + TAKE_MINUTES / 60.0 * self.turn


def plant(engine: Engine, planted: Planted, seed: int) -> dict[str, dict[str, float]]:
    """Fill the store and return quantity -> factor -> true share of the variance within the dynamics."""
    rng = np.random.default_rng(seed)
    notes = _notes(planted, rng)
    parts = {quantity: _parts(planted, quantity, notes, rng) for quantity in QUANTITIES}
    values = {quantity: _values(quantity, parts[quantity], notes) for quantity in QUANTITIES}
    with writing(engine) as db:
        for day, session in sorted(set(zip(notes.day.tolist(), notes.session.tolist(), strict=True))):
            _save_session(db, planted, notes, values, (day, session), rng)
    return {quantity: _shares(part) for quantity, part in parts.items()}


def curve(shape: str, pitches: int) -> np.ndarray:
    """Return the register's curve over the pitches, mean 0 and standard deviation 1."""
    x = np.linspace(-1.0, 1.0, pitches)
    y = {"slope": x, "bend": x**2, "low": (x < -0.6).astype(float)}[shape]
    return (y - y.mean()) / y.std()


def _notes(planted: Planted, rng: np.random.Generator) -> _PlantedNotes:
    """Return all notes: every session plays every dynamic's whole range, its takes in an order of its own."""
    firsts = range(0, planted.pitches, planted.take_pitches)
    runs = [(dynamic, first) for dynamic in range(len(planted.dynamics)) for first in firsts]
    rows = [
        (day, session, turn, runs[run][0], tone)
        for day in range(planted.days)
        for session in range(planted.sessions)
        for turn, run in enumerate(rng.permutation(len(runs)), 1)
        for tone in range(runs[run][1], min(runs[run][1] + planted.take_pitches, planted.pitches))
        for _ in range(planted.repetitions)
    ]
    return _PlantedNotes(*np.array(rows).T)


def _parts(planted: Planted, quantity: str, notes: _PlantedNotes, rng: np.random.Generator) -> dict[str, np.ndarray]:
    """Return what each factor adds to every note."""
    shift, take = planted.shift(quantity), notes.take
    cell = notes.dynamic * planted.pitches + notes.tone
    parts = {
        "register": shift.register * curve(shift.shape, planted.pitches)[notes.tone],
        "day": shift.day * _spaced(planted.days)[notes.day],
        "set-up": shift.setup * _spaced(2)[notes.session % 2],
        "pitch": rng.normal(0.0, shift.pitch, cell.max() + 1)[cell],
        "take": rng.normal(0.0, shift.take, take.max() + 1)[take] + shift.per_hour * notes.hour,
        "rest": rng.normal(0.0, 1.0, len(take)),
    }
    if planted.exact:
        parts["rest"] = parts["rest"] - _by_chance(planted, notes, parts, shift)
    return parts


def _by_chance(planted: Planted, notes: _PlantedNotes, parts: dict[str, np.ndarray], shift: Shift) -> np.ndarray:
    """Return what single pitches, takes and noise together happen to do to dynamics, register, days and set-ups."""
    levels = (notes.dynamic, len(planted.dynamics)), (notes.day, planted.days), (notes.session % 2, 2)
    steps = [level[:, None] == np.arange(count) for level, count in levels]
    base = np.column_stack([*steps, curve(shift.shape, planted.pitches)[notes.tone]]).astype(float)
    drifting = shift.per_hour * notes.hour  # is meant, and may go along with the set-ups
    chance = parts["pitch"] + parts["take"] + parts["rest"] - drifting
    return base @ np.linalg.lstsq(base, chance, rcond=None)[0]


def _spaced(levels: int) -> np.ndarray:
    """Return evenly spaced values, mean 0 and standard deviation 1."""
    places = np.arange(levels) - (levels - 1) / 2.0
    return places / places.std() if levels > 1 else places


def _values(quantity: str, parts: dict[str, np.ndarray], notes: _PlantedNotes) -> np.ndarray:
    axis = NOISE[quantity] * sum(parts.values()) + LOUDER.get(quantity, 0.0) * notes.dynamic
    log = COMPARED[QUANTITIES[quantity].measurement].log
    return USUAL[quantity] * np.exp(axis) if log else USUAL[quantity] + axis


def _shares(parts: dict[str, np.ndarray]) -> dict[str, float]:
    variance = {factor: float(np.var(part)) for factor, part in parts.items()}
    return {factor: part / sum(variance.values()) for factor, part in variance.items()}


def _save_session(
    db: Connection,
    planted: Planted,
    notes: _PlantedNotes,
    values: Mapping[str, np.ndarray],
    when: tuple[int, int],
    rng: np.random.Generator,
) -> None:
    day, session = when
    on, name = FIRST_DAY + timedelta(days=day), f"kettle-weir-day{day + 1}-{'abcdef'[session]}"
    session_id = save_session(db, Session(name, name, on, 48_000, 442.0, "close"))
    judged = []
    mine = (notes.day == day) & (notes.session == session)
    for turn in np.unique(notes.turn[mine]):
        rows, label = np.flatnonzero(mine & (notes.turn == turn)), f"T{turn:03d}"
        played = tuple(_note(planted, notes, values, row, number, rng) for number, row in enumerate(rows.tolist(), 1))
        at = datetime(on.year, on.month, on.day, *BEGIN) + timedelta(hours=float(notes.hour[rows[0]]))
        save_take(
            db,
            session_id,
            Take(
                label,
                label,
                planted.instrument,
                planted.articulation,
                planted.dynamics[notes.dynamic[rows[0]]],
                notes=played,
                measured_mic="close",
                setup="AB"[session % 2],
                recorded_at=at,
                recorded_from="bext",
                duration_s=4.0 * len(played),
            ),
        )
        judged += [NoteJudgement(label, note.number, 0.02, 0.02, 0.0) for note in played]
    save_judgement(db, session_id, Judgement("planted", (), tuple(judged)))


def _note(
    planted: Planted,
    notes: _PlantedNotes,
    values: Mapping[str, np.ndarray],
    row: int,
    number: int,
    rng: np.random.Generator,
) -> Note:
    measurements = {about.measurement: float(values[q][row]) for q, about in QUANTITIES.items()}
    midi, start_s = planted.lowest + int(notes.tone[row]), 2.0 * number
    vector = rng.normal(0.0, 1.0, DIMENSION).astype(np.float32)
    return Note(
        number,
        start_s,
        start_s + measurements["length_s"],
        start_s + 1.5,
        midi,
        midi,
        measurements,
        {"planted": vector},
    )
