"""The notes to keep: for each instrument, articulation and dynamic the most consistent set, and why.

The store goes in; out come ``KeepGroup``s with every kept note, its cost term by term, what the next best would
cost more, and how its roughness compares with that of the first accepted take of each cell. Times in seconds.
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from sqlalchemy import Connection

from triage.domain.pitch import pitch_name
from triage.judge.best_set import Kept, best_set, swap_costs, total_cost
from triage.judge.best_set_costs import BETWEEN_KEYS, Costs, axes_of, costs_of, roughness
from triage.judge.clean_notes import DOUBT_BOUND, Played, fault_of, files_open
from triage.judge.plan import CellCount, count_cells
from triage.judge.repetition_numbering import number_repetitions
from triage.sheets.plan_table import Planned, plan_of
from triage.store.choices import kept_choices, pitch_of
from triage.store.notes import embeddings, encoders
from triage.store.takes import sessions

Key = tuple[str, str, int]  # session, take, note
Repetitions = dict[Key, int | None]  # of notes that people chose, where they named one


@dataclass(frozen=True)
class KeptNote:
    """One note to keep, as which repetition, at what cost; ``next_costs`` is None where there is no other."""

    session: str
    take: str
    note: int
    instrument: str
    articulation: str
    dynamic: str
    pitch_midi: int
    pitch: str
    repetition: int
    start_s: float
    end_s: float
    chosen: bool  # by a person
    clean: bool
    reject_probability: float | None
    cost: float
    own: float
    repeats: float
    below: float
    above: float
    next_take: str | None
    next_note: int | None
    next_costs: float | None
    measurements: Mapping[str, float | None]


@dataclass(frozen=True)
class Candidate:
    """One note that may fill a cell: what is wrong with it, whether it is kept, and what choosing it would cost."""

    session: str
    take: str
    note: int
    pitch_midi: int
    doubt: float | None
    outlier: float | None  # sigmas from its neighbours
    fault: str | None
    repetition: int | None  # that it is kept as
    chosen: bool
    costs: float  # more for the whole set, were it kept; 0 for one that is


@dataclass(frozen=True)
class KeepGroup:
    """The kept notes of one instrument, articulation and dynamic; roughness in robust sigmas per key.

    ``gain``: by what share the set costs less than the first notes played of each cell, as many of them; None where
    there was nothing to choose from.
    """

    instrument: str
    articulation: str
    dynamic: str
    kept: tuple[KeptNote, ...]
    wanted: int
    candidates: int
    cost: float
    method: str
    states: int
    uneven: float
    uneven_first: float
    gain: float | None
    candidate_notes: tuple[Candidate, ...]


@dataclass(frozen=True)
class KeepSet:
    """All groups, and lines about choices that no longer stand."""

    sessions: tuple[str, ...]
    groups: tuple[KeepGroup, ...]
    warnings: tuple[str, ...]

    @property
    def kept(self) -> tuple[KeptNote, ...]:
        """Every kept note."""
        return tuple(note for group in self.groups for note in group.kept)


def keep_set(
    db: Connection, session_id: int | None = None, doubt_bound: float = DOUBT_BOUND, repetitions: int | None = None
) -> KeepSet:
    """Return the notes to keep of one session's plan, or of all sessions' so far, in the order of the plan."""
    planned = plan_of(db, session_id)
    (chosen, warnings), vectors = _chosen(db, planned, session_id), _vectors(db, session_id)
    groups: dict[tuple[str, str, str], list[tuple[Key, Played]]] = defaultdict(list)
    for session, note in zip(planned.of_session, planned.notes, strict=True):
        key = (session, note.take, note.number)
        if key in chosen and note.verdict is None:  # whoever chooses a note has heard it and lets it pass
            note = replace(note, verdict="accept")
        if note.cell is not None and (key in chosen or _usable(note)):
            groups[note.instrument, note.articulation, note.dynamic].append((key, note))
    counts: dict[tuple[str, str, str], list[CellCount]] = defaultdict(list)
    for count in count_cells(planned.rows, planned.notes, doubt_bound, repetitions):
        counts[count.cell[:3]].append(count)
    order = {
        part: n
        for n, part in enumerate(dict.fromkeys((r.instrument, r.articulation, r.dynamic) for r in planned.rows))
    }
    found = []
    for cohort, own in sorted(groups.items(), key=lambda one: (order.get(one[0], len(order)), one[0])):
        wanted = {count.cell.pitch: count.wanted for count in counts[cohort]}
        found.append(_group(cohort, own, wanted, planned, chosen, vectors, doubt_bound))
    return KeepSet(planned.sessions, tuple(group for group in found if group.kept), warnings)


def _usable(note: Played) -> bool:
    """Tell whether a note may be kept where there is no better: at its pitch, not rejected, no file trouble."""
    return note.matches is not False and note.verdict != "reject" and not files_open(note) and not note.lost


def _group(
    cohort: tuple[str, str, str],
    notes: list[tuple[Key, Played]],
    wanted: dict[int, int],
    planned: Planned,
    chosen: Repetitions,
    vectors: dict[Key, np.ndarray],
    doubt_bound: float,
) -> KeepGroup:
    notes = [(key, note) for key, note in notes if note.pitch in wanted]
    notes.sort(key=lambda one: (one[1].pitch, planned.sessions.index(one[0][0]), one[0]))
    keys, played = [key for key, _ in notes], [note for _, note in notes]
    pitch = np.array([note.pitch for note in played], dtype=int)
    clean = np.array([fault_of(note, doubt_bound) is None for note in played], dtype=bool)
    reject = np.array([0.0 if note.verdict == "accept" else _number(note.doubt) for note in played])
    costs = costs_of(pitch, axes_of(_values(keys, planned)), reject, clean, _matrix(keys, vectors))
    fixed = frozenset(row for row, key in enumerate(keys) if key in chosen)
    found = best_set(costs, wanted, fixed)
    sets = [[row for row in found.rows() if pitch[row] == p] for p in np.unique(pitch)]
    pins = {row: number for row in fixed if (number := chosen[keys[row]]) is not None}
    numbers = number_repetitions(costs.apart, sets, pins)
    kept = [_note(one, numbers[one.row], keys, played, bool(clean[one.row]), planned) for one in found.kept]
    kept.sort(key=lambda one: (one.pitch_midi, one.repetition))
    first = _first(pitch, clean, wanted)
    return KeepGroup(
        *cohort,
        tuple(kept),
        sum(wanted.values()),
        len(keys),
        found.cost,
        found.method,
        found.states,
        roughness(costs.axes, [{numbers[row]: row for row in own} for own in sets]),
        roughness(costs.axes, first),
        _gain(costs, found.rows(), pitch, clean, fixed),
        _candidates(
            notes,
            doubt_bound,
            planned,
            fixed,
            {row: numbers[row] for row in found.rows()},
            swap_costs(costs, found.rows()),
        ),
    )


def _gain(
    costs: Costs, rows: Sequence[int], pitch: np.ndarray, clean: np.ndarray, fixed: frozenset[int]
) -> float | None:
    """Return by what share a set is better than what is kept without choosing: the first notes, clean ones first."""
    first: list[int] = []
    for p in np.unique(pitch[list(rows)]):
        own = sorted(np.flatnonzero(pitch == p).tolist(), key=lambda row: (row not in fixed, not clean[row], row))
        first += own[: int((pitch[list(rows)] == p).sum())]
    if not rows or len(rows) == len(pitch):
        return None
    before = total_cost(costs, first)
    return 1.0 - total_cost(costs, rows) / before if before > 0 else 0.0


def _candidates(
    notes: Sequence[tuple[Key, Played]],
    doubt_bound: float,
    planned: Planned,
    fixed: frozenset[int],
    kept: Mapping[int, int],
    swaps: Mapping[int, float],
) -> tuple[Candidate, ...]:
    """Return all notes of the group, by pitch, the kept ones first and then the cheapest."""
    found = [
        Candidate(
            *key,
            note.pitch or 0,
            note.doubt,
            planned.stored[key].outlier,
            fault_of(note, doubt_bound),
            kept.get(row),
            row in fixed,
            swaps.get(row, 0.0),
        )
        for row, (key, note) in enumerate(notes)
    ]
    return tuple(sorted(found, key=lambda one: (one.pitch_midi, one.repetition or 10**6, one.costs)))


def _first(pitch: np.ndarray, clean: np.ndarray, wanted: dict[int, int]) -> list[dict[int, int]]:
    """Return what is kept without listening further: the first clean notes of each cell, in the order played."""
    firsts = [np.flatnonzero((pitch == p) & clean)[: wanted[int(p)]] for p in np.unique(pitch)]
    return [dict(enumerate(map(int, own), 1)) for own in firsts]


def _note(
    one: Kept, repetition: int, keys: Sequence[Key], played: Sequence[Played], clean: bool, planned: Planned
) -> KeptNote:
    key, note = keys[one.row], played[one.row]
    stored, other = planned.stored[key], None if one.next_row is None else keys[one.next_row]
    assert note.pitch is not None
    return KeptNote(
        *key,
        *(note.instrument, note.articulation, note.dynamic),
        note.pitch,
        pitch_name(note.pitch),
        repetition,
        *(stored.start_s, stored.end_s),
        *(one.fixed, clean),
        stored.reject_probability,
        *(one.cost, one.own, one.repeats, one.below, one.above),
        other[1] if other else None,
        other[2] if other else None,
        one.next_costs,
        {name: stored.measurements[name] for name in BETWEEN_KEYS},
    )


def _values(keys: Sequence[Key], planned: Planned) -> dict[str, np.ndarray]:
    """Return the measurements; those of another microphone than the session's reference cannot be compared."""

    def one(key: Key, name: str) -> float:
        return np.nan if key[:2] in planned.other_mic else _number(planned.stored[key].measurements[name])

    return {name: np.array([one(key, name) for key in keys]) for name in BETWEEN_KEYS}


def _matrix(keys: Sequence[Key], vectors: dict[Key, np.ndarray]) -> np.ndarray | None:
    width = max((len(vectors[key]) for key in keys if key in vectors), default=0)
    if not width:
        return None
    return np.stack([vectors.get(key, np.full(width, np.nan)) for key in keys])


def _chosen(db: Connection, planned: Planned, session_id: int | None) -> tuple[Repetitions, tuple[str, ...]]:
    """Return the repetition, if any, of each note that people chose, and lines on choices that are outdated."""
    repetition: Repetitions = {}
    lines = []
    for session in sessions(db):
        for choice in kept_choices(db, session.id) if session_id in (None, session.id) else ():
            key = (session.name, choice.take, choice.note)
            stored = planned.stored.get(key)
            now = None if stored is None else pitch_of(stored)
            if stored is None or now != choice.pitch_midi:
                was = "a note" if choice.pitch_midi is None else pitch_name(choice.pitch_midi)
                is_now = "gone" if now is None else pitch_name(now)
                lines.append(
                    f"{choice.take} note {choice.note}: {choice.by} chose it as {was}, now it is {is_now}; "
                    f"choose again, or `triage keep --free {choice.take}:{choice.note}`"
                )
            else:
                repetition[key] = choice.repetition
    return repetition, tuple(lines)


def _vectors(db: Connection, session_id: int | None) -> dict[Key, np.ndarray]:
    """Return the embeddings of the encoder that encoded most notes."""
    seen: dict[str, dict[Key, np.ndarray]] = defaultdict(dict)
    for session in sessions(db):
        for encoder in encoders(db, session.id) if session_id in (None, session.id) else ():
            keys, matrix = embeddings(db, session.id, encoder)
            seen[encoder] |= {(session.name, *key): row for key, row in zip(keys, matrix, strict=True)}
    return seen[max(seen, key=lambda name: (len(seen[name]), name))] if seen else {}


def _number(value: float | None) -> float:
    return np.nan if value is None else float(value)
