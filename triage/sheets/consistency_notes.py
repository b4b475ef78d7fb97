"""The notes of several sessions as one table to judge, with the labels of all factors beside it."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import pairwise

import numpy as np

from triage.judge.curves import QUANTITIES, in_unit, measured
from triage.judge.note_table import NoteTable
from triage.judge.repeats import DISCRIMINATING
from triage.sheets.consistency_values import Dot
from triage.store.consistency import NoteInSession

OVERLAP_S = 2.0  # clocks of files are no finer than that on some systems
MEASURED = tuple(dict.fromkeys((*(q.measurement for q in QUANTITIES.values()), *DISCRIMINATING)))


@dataclass(frozen=True)
class ComparedNotes:
    """Notes as a table, as dots in the same order, and what the table lacks, one value per note."""

    table: NoteTable
    dots: tuple[Dot, ...]
    factors: dict[str, np.ndarray]  # coarsest first
    day: np.ndarray
    hours: np.ndarray  # of the take on the clock, else the take's number on that day
    clock: np.ndarray  # bool
    doubt: np.ndarray


def compared_notes(notes: Sequence[NoteInSession], vectors: Mapping[tuple[int, int], np.ndarray]) -> ComparedNotes:
    """Return notes, embeddings and labels side by side."""
    table = _table(notes, vectors)
    day = np.array([one.day.isoformat() for one in notes], dtype=str)
    hours, clock = _hours(notes)
    several = len({one.session for one in notes}) > 1
    factors = {
        "day": day,
        "set-up": np.array([one.setup or "" for one in notes], dtype=str),
        "microphone": table.mic,
        "session": np.array([one.session for one in notes], dtype=str),
        "take": np.array([f"{one.session} {one.take}" if several else one.take for one in notes], dtype=str),
        "repetition": _repetition(notes),
    }
    doubt = np.array([_number(one.doubt) for one in notes])
    return ComparedNotes(table, _dots(notes, table), factors, day, hours, clock, doubt)


def typical_of(notes: ComparedNotes, quantity: str, mine: np.ndarray) -> float:
    """Return the median of these notes, in the quantity's unit; NaN where none has a value."""
    values = measured(notes.table, quantity)[mine]
    values = values[np.isfinite(values)]
    return float(in_unit(quantity, np.array([np.median(values)]))[0]) if values.size else float("nan")


def span_of(notes: ComparedNotes, quantity: str, mine: np.ndarray) -> tuple[float, float]:
    """Return the lowest and the highest of these notes, on the compared axis; NaN where none has a value."""
    values = measured(notes.table, quantity)[mine]
    values = values[np.isfinite(values)]
    return (float(values.min()), float(values.max())) if values.size else (float("nan"), float("nan"))


def whole_takes(notes: ComparedNotes, rows: np.ndarray, most: int) -> np.ndarray:
    """Return about ``most`` of the rows, in whole takes, evenly over session, set-up, dynamic and pitch."""
    if len(rows) <= most:
        return rows
    table = notes.table
    takes, first, place = np.unique(table.take[rows], return_index=True, return_inverse=True)
    pitch = np.bincount(place, np.nan_to_num(table.pitch[rows])) / np.bincount(place)
    labels = (notes.factors["session"], notes.factors["set-up"], table.dynamic, table.mic)
    order = np.lexsort((pitch, *(of[rows[first]] for of in labels[::-1])))
    share = np.ceil(np.arange(len(takes) + 1) * most / len(rows))
    chosen = np.zeros(len(takes), dtype=bool)
    chosen[order] = np.diff(share) > 0
    return rows[chosen[place]]


def _table(notes: Sequence[NoteInSession], vectors: Mapping[tuple[int, int], np.ndarray]) -> NoteTable:
    width = len(next(iter(vectors.values()))) if vectors else 1
    unknown = np.full(width, np.nan)

    def labels(name: str) -> np.ndarray:
        return np.array([getattr(one, name) or "" for one in notes], dtype=str)

    def numbers(name: str) -> np.ndarray:
        return np.array([_number(getattr(one, name)) for one in notes])

    return NoteTable(
        take=np.array([str(one.take_id) for one in notes], dtype=str),
        number=numbers("number"),
        instrument=labels("instrument"),
        articulation=labels("articulation"),
        dynamic=labels("dynamic"),
        mic=labels("mic"),
        pitch=numbers("pitch_midi"),
        start_s=numbers("start_s"),
        end_s=numbers("end_s"),
        ring_end_s=numbers("ring_end_s"),
        values={name: np.array([_number(one.measurements.get(name)) for one in notes]) for name in MEASURED},
        embedding=np.array([vectors.get((one.take_id, one.number), unknown) for one in notes], np.float32).reshape(
            len(notes), width
        ),
    )


def _dots(notes: Sequence[NoteInSession], table: NoteTable) -> tuple[Dot, ...]:
    shown = np.column_stack([in_unit(name, measured(table, name)) for name in QUANTITIES])
    return tuple(
        Dot(
            one.take_id,
            one.session,
            one.take,
            one.number,
            *(one.instrument or "", one.articulation or "", one.dynamic or "", one.mic or ""),
            one.pitch_midi,
            one.start_s,
            one.end_s,
            tuple(float(v) if np.isfinite(v) else None for v in row),
            one.doubt,
            one.verdict,
        )
        for one, row in zip(notes, shown, strict=True)
    )


def _hours(notes: Sequence[NoteInSession]) -> tuple[np.ndarray, np.ndarray]:
    """Return each note's hour on the clock where all of its day's takes have one, else its take's number that day."""
    takes = {(one.day, one.session, one.take): one.recorded_at for one in notes}
    whole = {day for day, *_ in takes} - {day for (day, *_), at in takes.items() if at is None} - _copied(notes)
    order: Counter[object] = Counter()
    place: dict[tuple[object, ...], float] = {}
    for key in takes:  # in order of session and take
        order[key[0]] += 1
        place[key] = float(order[key[0]])
    hours = []
    for one in notes:
        at = one.recorded_at
        days = (at.date() - one.day).days if at else 0  # past midnight the clock goes on
        if one.day in whole and at:
            hours.append(24.0 * days + at.hour + at.minute / 60 + at.second / 3600)
        else:
            hours.append(place[one.day, one.session, one.take])
    return np.array(hours), np.array([one.day in whole for one in notes], dtype=bool)


def _copied(notes: Sequence[NoteInSession]) -> set[date]:
    """Return the days on which takes of a session overlap by the clock: then it is that of a copy, not the hall's."""
    spans: dict[tuple[date, str, str], tuple[datetime, datetime]] = {}
    for one in notes:
        if one.recorded_at:
            end = one.recorded_at + timedelta(seconds=one.end_s)
            key = (one.day, one.session, one.take)
            spans[key] = (one.recorded_at, max(end, spans.get(key, (end, end))[1]))
    ordered = sorted((day, session, *span) for (day, session, _), span in spans.items())
    return {
        now[0]
        for now, then in pairwise(ordered)
        if now[:2] == then[:2] and then[2] < now[3] - timedelta(seconds=OVERLAP_S)
    }


def _repetition(notes: Sequence[NoteInSession]) -> np.ndarray:
    """Return each note's place among those of its pitch in its take, from 1."""
    seen: Counter[tuple[int, int | None]] = Counter()
    places = []
    for one in notes:
        seen[one.take_id, one.pitch_midi] += 1
        places.append(str(seen[one.take_id, one.pitch_midi]))
    return np.array(places, dtype=str)


def _number(value: float | None) -> float:
    return float("nan") if value is None else float(value)
