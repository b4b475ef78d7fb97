"""All notes of a session as one table, and the noise found near each. Analysed takes in, arrays out."""

from collections import defaultdict
from collections.abc import Iterable, Sequence

import numpy as np

from triage.analysis.encoding import PARTS, activations_of, vector_name
from triage.domain.hit import Hit
from triage.domain.measurements import COMPARED
from triage.domain.take import Take
from triage.judge.features import NearbyNoise
from triage.judge.note_table import NoteTable
from triage.judge.robust import mad
from triage.listen.encoder import ACTIVATION_KINDS
from triage.listen.masking import over_decay
from triage.ranking.findings import is_of_a_note

LEAD_IN_S = (0.5, 0.03)  # a sound that leads into a note begins at most so long before it, and so long after
LEAD_IN_HITS, LEAD_IN_SHARE = 6, 0.1  # so many, and before so many of an instrument's notes, are part of playing it
LEAD_IN_SPREAD_DB = 2.0


def note_table(takes: Sequence[Take], encoder: str | None = None) -> NoteTable:
    """Return all notes of a session as one table, with the vectors of ``encoder`` where there are some."""
    rows = [(take, note) for take in takes for note in take.notes]
    name = vector_name([note.embeddings for _, note in rows], encoder) or ""
    starts_s = _numbers(note.start_s for _, note in rows)
    flat = np.array([activations_of(note.embeddings, name) for _, note in rows])
    activations = flat.reshape(len(rows), len(ACTIVATION_KINDS), len(PARTS))
    kinds = list(enumerate(ACTIVATION_KINDS)) if np.isfinite(activations).any() else []
    return NoteTable(
        take=_texts(take.name for take, _ in rows),
        number=np.array([note.number for _, note in rows], dtype=int),
        instrument=_texts(take.instrument for take, _ in rows),
        articulation=_texts(take.articulation for take, _ in rows),
        dynamic=_texts(take.dynamic for take, _ in rows),
        mic=_texts(take.measured_mic for take, _ in rows),
        pitch=_numbers(note.pitch_midi for _, note in rows),
        start_s=starts_s,
        end_s=_numbers(note.end_s for _, note in rows),
        ring_end_s=_numbers(note.ring_end_s for _, note in rows),
        values={measured: _numbers(note.measurements.get(measured) for _, note in rows) for measured in COMPARED},
        errors={measured: _numbers(note.errors.get(measured) for _, note in rows) for measured in COMPARED},
        embedding=_vectors([note.embeddings.get(name) for _, note in rows]),
        activation_peak={kind: activations[:, i, 0] for i, kind in kinds},
        activation_mean={kind: activations[:, i, 1] for i, kind in kinds},
        activation_peak_s={kind: activations[:, i, 2] + starts_s for i, kind in kinds},
    )


def nearby_noise(takes: Sequence[Take], table: NoteTable) -> NearbyNoise:
    """Return what was found around each note beside its playing: its strongest noise hit.

    Sounds that lead into an instrument's notes (breath, keys, valves) count only as far as they stand out among
    their like, where they come often enough to be part of playing it and the take may hold them.
    """
    row, usual = rows_by_note(table), usual_lead_in_db(takes)
    over, under = np.zeros(len(table)), np.full(len(table), np.nan)
    for take in takes:
        for hit in take.hits:
            i = row.get((take.name, hit.note or 1))
            if i is None or not is_of_a_note(hit):
                continue
            own_db = over_decay(hit.exposed or 0.0)
            if leads_in(hit, take) and not take.without_natural_sounds:
                own_db -= usual.get(take.instrument or "", 0.0)
            if own_db > over[i]:
                over[i] = own_db
                under[i] = table.values["level_dbfs"][i] - _number(hit.level_dbfs)
    return NearbyNoise(over, under)


def leads_in(hit: Hit, take: Take) -> bool:
    """Return whether a hit begins shortly before a note of its take, or with it."""
    return any(-LEAD_IN_S[0] <= hit.start_s - note.start_s <= LEAD_IN_S[1] for note in take.notes)


def usual_lead_in_db(takes: Sequence[Take]) -> dict[str, float]:
    """Return for each instrument how high above what rings its usual sounds before a note reach, in dB.

    The median of the takes' hits that lead into a note, and two robust standard deviations more. 0 (nothing is usual)
    where they are fewer than LEAD_IN_HITS or come before less than LEAD_IN_SHARE of the notes.
    """
    excess: dict[str, list[float]] = defaultdict(list)
    notes: dict[str, int] = defaultdict(int)
    for take in takes:
        instrument = take.instrument or ""
        notes[instrument] += len(take.notes)
        own = (hit for hit in take.hits if is_of_a_note(hit) and leads_in(hit, take))
        excess[instrument] += [over_decay(hit.exposed or 0.0) for hit in own]
    return {
        instrument: float(np.median(found) + 2 * mad(np.array(found), LEAD_IN_SPREAD_DB))
        for instrument, found in excess.items()
        if len(found) >= max(LEAD_IN_HITS, LEAD_IN_SHARE * notes[instrument])
    }


def rows_by_note(table: NoteTable) -> dict[tuple[str, int], int]:
    """Return the row of each note by take and number."""
    keys = zip(table.take.tolist(), table.number.tolist(), strict=True)
    return {key: i for i, key in enumerate(keys)}


def _texts(values: Iterable[str | None]) -> np.ndarray:
    return np.array([value or "" for value in values], dtype=str)


def _numbers(values: Iterable[float | None]) -> np.ndarray:
    return np.array([_number(value) for value in values], dtype=float)


def _vectors(found: Sequence[np.ndarray | None]) -> np.ndarray:
    """Return vectors as rows, NaN where there is none [shape=(note, dimension)]."""
    dimension = next((len(vector) for vector in found if vector is not None), 1)
    unknown = np.full(dimension, np.nan)
    rows = [unknown if vector is None else vector for vector in found]
    return np.array(rows, dtype=float).reshape(len(found), dimension)


def _number(value: float | None) -> float:
    return np.nan if value is None else float(value)
