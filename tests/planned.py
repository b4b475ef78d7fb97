"""Stores filled note by note, without sound, for the tests of pick-ups and best sets."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime

import numpy as np
from sqlalchemy import Engine

from triage.domain.hit import Hit
from triage.domain.judgement import Judgement, NoteJudgement, TakeJudgement
from triage.domain.note import Note
from triage.domain.session import Session
from triage.domain.sheet_row import SheetRow
from triage.domain.spot import Spot
from triage.domain.take import Take, Track
from triage.domain.verdict import Verdict
from triage.store.engine import writing
from triage.store.plan import save_sheet
from triage.store.ranking import save_judgement
from triage.store.takes import save_session, save_take
from triage.store.verdicts import record_verdict

NOON = datetime(2026, 3, 14, 12, tzinfo=UTC)
USUAL = {"length_s": 0.4, "level_dbfs": -20.0, "centroid_hz": 900.0, "attack_s": 0.05, "cents": 0.0}


@dataclass(frozen=True)
class PlannedTake:
    """One take as it was played: sounding pitches, and by note number what is known of it."""

    name: str
    pitches: tuple[int, ...]
    dynamic: str = "ff"
    instrument: str = "horn"
    articulation: str = "staccato"
    repetitions: int = 1
    doubts: Mapping[int, float] = field(default_factory=dict)
    cents: Mapping[int, float | None] = field(default_factory=dict)
    measured: Mapping[int, Mapping[str, float]] = field(default_factory=dict)
    vectors: Mapping[int, np.ndarray] = field(default_factory=dict)
    hits: tuple[Hit, ...] = ()
    spots: tuple[Spot, ...] = ()
    missing: tuple[int, ...] = ()  # numbers of notes that the sheet asks for and nobody played
    setup: str | None = None
    recorded_at: datetime | None = None
    recorded_from: str | None = None
    measured_mic: str = "close"
    sheet: tuple[int, ...] | None = None  # where it is not what sounds

    def record(self) -> Take:
        """Return it as it is stored; a note a second."""
        asked = [pitch for pitch in self.pitches for _ in range(self.repetitions)]
        played = [pitch for number, pitch in enumerate(asked, 1) if number not in self.missing]
        notes = tuple(
            Note(
                n,
                float(n),
                n + 0.5,
                None,
                pitch,
                pitch,
                {**USUAL, **self.measured.get(n, {}), "cents": self.cents.get(n, 0.0)},
                {"ear": self.vectors[n]} if n in self.vectors else {},
            )
            for n, pitch in enumerate(played, 1)
        )
        return Take(
            self.name,
            f"print of {self.name}",
            self.instrument,
            self.articulation,
            self.dynamic,
            None,
            self.sheet or self.pitches,
            self.repetitions,
            float(len(asked) + 1),
            None,
            True,
            (Track("close", f"audio/{self.name}_close.wav", 0, 48_000),),
            notes,
            self.hits,
            (),
            self.measured_mic,
            self.setup,
            self.recorded_at,
            self.recorded_from,
        )


def row(take: PlannedTake) -> SheetRow:
    """Return the take's row of the sheet."""
    return SheetRow(
        take.name,
        take.instrument,
        take.articulation,
        take.dynamic,
        take.sheet or take.pitches,
        take.repetitions,
        "",
        take.setup or "",
    )


def fill(
    engine: Engine,
    takes: Sequence[PlannedTake],
    name: str = "mill-day2-b",
    day: int = 14,
    planned: Sequence[PlannedTake] = (),
    verdicts: Sequence[Verdict] = (),
) -> int:
    """Store a session: takes that were recorded, others that stand on the sheet alone, and their verdicts."""
    with writing(engine) as db:
        session_id = save_session(db, Session(name, name, date(2026, 3, day), 48_000, 442.0, "close"))
        save_sheet(db, session_id, [row(take) for take in (*takes, *planned)])
        for take in takes:
            save_take(db, session_id, take.record())
        notes = [
            NoteJudgement(take.name, note.number, *[take.doubts.get(note.number, 0.01)] * 2, 0.0)
            for take in takes
            for note in take.record().notes
        ]
        ranked = [TakeJudgement(take.name, 0.1, 1.0, place) for place, take in enumerate(takes, 1)]
        spots = tuple(spot for take in takes for spot in take.spots)
        save_judgement(db, session_id, Judgement("test 1", tuple(ranked), tuple(notes), spots))
        for verdict in verdicts:
            record_verdict(db, session_id, verdict)
    return session_id


def hit(kind: str, note: int | None, exposed: float = 0.9, level_dbfs: float | None = -50.0) -> Hit:
    """Return a noise hit, or without a level trouble in the samples."""
    return Hit(kind, 1.0, 1.1, "close", ("close",), level_dbfs, 10.0, exposed, note)


def spot(take: str, kind: str, note: int | None, doubt: float = 0.9) -> Spot:
    """Return a finding of the judge on a note, or without one on the whole take."""
    return Spot(take, 0.0, 1.0, note, kind, doubt, kind, "close")
