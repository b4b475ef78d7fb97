"""The plan as the store holds it: rows of all take sheets and all notes, as ``judge/plan.py`` takes them."""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from itertools import pairwise
from statistics import median

from sqlalchemy import Connection

from triage.domain.sheet_row import SheetRow
from triage.judge.clean_notes import Played, fault_of
from triage.judge.plan import PlannedRow, sheet_shift
from triage.judge.recording_pace import Cost
from triage.judge.rest_reminder import TakeOnClock
from triage.sheets.note_findings import NoteFindings, note_findings
from triage.store.notes import notes
from triage.store.plan import sheet
from triage.store.standing import Outcome, session_verdicts
from triage.store.stored import StoredNote, StoredSession, StoredTake
from triage.store.takes import GONE, sessions, takes

MATCH_CENTS = 50.0  # further off its pitch on the sheet a note is nearer to another one


@dataclass
class Planned:
    """The plan of one or more sessions and everything played for it, sessions in order of date."""

    sessions: tuple[str, ...]
    rows: list[PlannedRow] = field(default_factory=list)
    notes: list[Played] = field(default_factory=list)
    stored: dict[tuple[str, str, int], StoredNote] = field(default_factory=dict)  # session, take, note
    of_session: list[str] = field(default_factory=list)  # of each of ``notes``
    on_clock: list[TakeOnClock] = field(default_factory=list)
    pauses_s: list[float] = field(default_factory=list)
    sound_s: dict[str, float] = field(default_factory=dict)  # articulation -> usual seconds that a note sounds
    warnings: list[str] = field(default_factory=list)
    setups_named: bool = False
    other_mic: set[tuple[str, str]] = field(default_factory=set)  # takes measured on another microphone than usual
    # Row and seconds of each take.
    recorded: dict[tuple[str, str], tuple[PlannedRow, float]] = field(default_factory=dict)

    def costs(self, doubt_bound: float) -> list[Cost]:
        """Return what every take cost and brought."""
        clean: dict[tuple[str, str], int] = defaultdict(int)
        played: dict[tuple[str, str], int] = defaultdict(int)
        for session, note in zip(self.of_session, self.notes, strict=True):
            played[session, note.take] += 1
            clean[session, note.take] += note.pitch is not None and fault_of(note, doubt_bound) is None
        return [
            Cost(of.instrument, of.articulation, seconds, played[key], clean[key])
            for key, (of, seconds) in self.recorded.items()
        ]


def plan_of(db: Connection, session_id: int | None = None) -> Planned:
    """Return the plan of one session, or of all sessions in the store, and what was played for it."""
    chosen = [one for one in sessions(db) if session_id in (None, one.id)]
    chosen.sort(key=lambda one: (one.date, one.id))
    planned = Planned(tuple(one.name for one in chosen))
    for order, session in enumerate(chosen):
        _add(db, planned, session, order)
    lengths = defaultdict(list)
    for note in planned.stored.values():
        lengths[note.articulation or ""].append(note.end_s - note.start_s)
    planned.sound_s = {articulation: median(own) for articulation, own in lengths.items()}
    return planned


def _add(db: Connection, planned: Planned, session: StoredSession, order: int) -> None:
    there = [take for take in takes(db, session.id) if take.problem != GONE]
    rows = {row.take: row for row in sheet(db, session.id)}
    found = notes(db, session.id)
    by_take, shifts = _by_take(found), _shifts(there, found)
    planned.setups_named |= any(row.setup for row in rows.values())
    planned.warnings += [
        f"{session.name}: {instrument or 'notes'} sound {abs(by)} semitones {'above' if by > 0 else 'below'} the "
        "sheet; taken as written pitch"
        for instrument, by in sorted(shifts.items())
        if by
    ]
    place = (shifts, session.name, order)
    recorded = {take.name: _planned_take(take.name, take, take.expected_pitches, *place) for take in there}
    missing = [_planned_take(name, row, row.pitches, *place) for name, row in rows.items() if name not in recorded]
    planned.rows += [*recorded.values(), *missing]
    findings, standing = note_findings(db, session.id), session_verdicts(db, [session.id])
    for take in there:
        own = by_take.get(take.name, [])
        verdicts = standing.get(take.id)
        for note in own:
            outcome = None if verdicts is None else verdicts.outcome(note.number)
            planned.notes.append(_played(note, take, recorded[take.name], findings, outcome))
            planned.of_session.append(session.name)
            planned.stored[session.name, take.name, note.number] = note
        planned.recorded[session.name, take.name] = (recorded[take.name], take.duration_s or 0.0)
        if take.measured_mic not in (None, session.reference_mic):
            planned.other_mic.add((session.name, take.name))
    _clock(planned, session.name, there, by_take)


def _played(
    note: StoredNote, take: StoredTake, of: PlannedRow, findings: NoteFindings, outcome: Outcome | None
) -> Played:
    pitch, cents = note.sheet_midi if take.expected_pitches else note.pitch_midi, note.measurements["cents"]
    doubt, kind = findings.doubt(note.take, note.number, note.doubt)
    return Played(
        note.take,
        note.number,
        of.instrument,
        of.articulation,
        of.dynamic,
        pitch,
        None if cents is None else abs(cents) <= MATCH_CENTS,
        doubt,
        kind,
        outcome.verdict if outcome else None,
        outcome.reason if outcome else "",
        tuple(findings.files.get(note.take, ())),
        findings.lost.get(note.take, ""),
        of.setup,
    )


def _planned_take(
    name: str, of: StoredTake | SheetRow, pitches: Iterable[int], shifts: dict[str, int], session: str, order: int
) -> PlannedRow:
    shift = shifts.get(of.instrument or "", 0)
    cohort, setup = (of.instrument or "", of.articulation or "", of.dynamic or ""), of.setup or session
    shifted = tuple(pitch + shift for pitch in pitches)
    return PlannedRow(name, *cohort, shifted, of.repetitions or 1, setup, order, recorded=isinstance(of, StoredTake))


def _by_take(rows: Iterable[StoredNote]) -> dict[str, list[StoredNote]]:
    found: dict[str, list[StoredNote]] = defaultdict(list)
    for row in rows:
        found[row.take].append(row)
    return found


def _shifts(there: Sequence[StoredTake], rows: Iterable[StoredNote]) -> dict[str, int]:
    put: dict[str, list[int]] = defaultdict(list)
    for note in rows:
        if note.sheet_midi is not None:
            put[note.take].append(note.sheet_midi)
    pairs: dict[str, list[tuple[Sequence[int], Sequence[int]]]] = defaultdict(list)
    for take in there:
        pairs[take.instrument or ""].append((take.expected_pitches, put[take.name]))
    return {instrument: sheet_shift(own) for instrument, own in pairs.items()}


def _clock(planned: Planned, session: str, there: Sequence[StoredTake], by_take: dict[str, list[StoredNote]]) -> None:
    for take in there:
        sounding_s, whole_s = sum(n.end_s - n.start_s for n in by_take.get(take.name, [])), take.duration_s or 0.0
        who = (session, take.instrument or "", take.dynamic or "")
        planned.on_clock.append(TakeOnClock(*who, sounding_s, whole_s, _began(take)))
    planned.pauses_s += list(_pauses_s(there))


def _began(take: StoredTake) -> datetime | None:
    # A file's own time may be that of a copy: good enough to be shown, not to be counted on.
    return take.recorded_at if take.recorded_from in ("bext", "iXML") else None


def _pauses_s(there: Sequence[StoredTake]) -> Iterator[float]:
    began = sorted((at, take.name, take.duration_s or 0.0) for take in there if (at := _began(take)) is not None)
    for (at, _, seconds), (after, _, _) in pairwise(began):
        yield (after - at - timedelta(seconds=seconds)).total_seconds()
