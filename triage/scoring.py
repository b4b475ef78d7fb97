"""From what was heard to what is doubtful: all takes of one session in, notes put on the sheet, doubts and ranks out.

Nothing is listened to here and no database is asked: TakeRecords come in as ``take.py`` made them.
"""

from collections.abc import Sequence

import numpy as np

from triage.encoding import PARTS, evidence_of, vector_name
from triage.intake.pitchname import pitch_name
from triage.judge.doubt import DoubtModel, any_of
from triage.judge.features import COHORT, Evidence, Trouble, gather
from triage.judge.learned import LearnedDoubt
from triage.judge.relative import relative_vectors
from triage.judge.spots import LEAST_DOUBT, Spot, note_spots
from triage.judge.table import COMPARED, NoteTable
from triage.judge.tracks import TrackFacts, track_faults
from triage.listen.encoder import EVIDENCE, NOISES
from triage.listen.masking import over_decay
from triage.placing import expected
from triage.store.records import (
    HitRecord,
    Judgement,
    NoteJudgement,
    SpotRecord,
    TakeJudgement,
    TakeRecord,
)

TECHNICAL = {
    "dropout": "sound missing", "click": "digital click", "clipped": "clipped", "dead-track": "digital silence",
}  # fmt: skip
LASTING = ("hum", "rumble", "hiss")
AROUND_S = 0.5


def is_technical(hit: HitRecord) -> bool:
    """Tell trouble in the samples from a sound in the room (which has a level)."""
    return hit.kind in TECHNICAL and (hit.level_dbfs is None or hit.kind != "click")


def is_of_a_note(hit: HitRecord) -> bool:
    """Tell a noise beside a note from trouble in the samples and from what lasts for the whole take."""
    lasting = hit.kind in LASTING and hit.note is None and hit.start_s == 0.0
    return not is_technical(hit) and not lasting


def table_of(takes: Sequence[TakeRecord], encoder: str | None = None) -> NoteTable:
    """Return all notes of a session as one table, with the vectors of ``encoder`` where there are some."""
    rows = [(take, note) for take in takes for note in take.notes]
    name = vector_name([note.embeddings for _, note in rows], encoder) or ""
    known = [note.embeddings[name] for _, note in rows if name in note.embeddings]
    unknown = np.full(len(known[0]) if known else 1, np.nan)
    starts_s = np.array([note.start_s for _, note in rows], dtype=float)
    evidence = np.array([evidence_of(note.embeddings, name) for _, note in rows])
    heard = evidence.reshape(len(rows), len(EVIDENCE), len(PARTS))
    told = list(enumerate(EVIDENCE)) if np.isfinite(heard).any() else []
    values = {
        name: np.array([_number(note.measurements.get(name)) for _, note in rows], dtype=float) for name in COMPARED
    }
    return NoteTable(
        take=np.array([take.name for take, _ in rows], dtype=str),
        number=np.array([note.number for _, note in rows], dtype=int),
        instrument=np.array([take.instrument or "" for take, _ in rows], dtype=str),
        articulation=np.array([take.articulation or "" for take, _ in rows], dtype=str),
        dynamic=np.array([take.dynamic or "" for take, _ in rows], dtype=str),
        mic=np.array([take.heard_on or "" for take, _ in rows], dtype=str),
        pitch=np.array([_number(note.pitch_midi) for _, note in rows], dtype=float),
        start_s=np.array([note.start_s for _, note in rows], dtype=float),
        end_s=np.array([note.end_s for _, note in rows], dtype=float),
        ring_end_s=np.array([_number(note.ring_end_s) for _, note in rows], dtype=float),
        values=values,
        embedding=np.array(
            [note.embeddings.get(name, unknown) for _, note in rows], dtype=float
        ).reshape(len(rows), len(unknown)),
        heard={kind: heard[:, i, 0] for i, kind in told},
        heard_mean={kind: heard[:, i, 1] for i, kind in told},
        heard_s={kind: heard[:, i, 2] + starts_s for i, kind in told},
    )  # fmt: skip


def trouble_of(takes: Sequence[TakeRecord], table: NoteTable) -> Trouble:
    """Return what was found around each note beside its playing: the strongest noise hit, the sheet's pitch."""
    row = _rows(table)
    over, under = np.zeros(len(table)), np.full(len(table), np.nan)
    for take in takes:
        for hit in take.hits:
            i = row.get((take.name, hit.note or 1))
            if i is not None and is_of_a_note(hit) and over_decay(hit.exposed or 0.0) > over[i]:
                over[i] = over_decay(hit.exposed or 0.0)
                under[i] = table.values["level_dbfs"][i] - _number(hit.level_dbfs)
    return Trouble(over, under)


def judge(
    takes: Sequence[TakeRecord], missing: dict[str, list[int]], model: DoubtModel | LearnedDoubt,
    broken: dict[str, list[str]],
) -> Judgement:
    """Judge and rank all takes of a session.

    Parameters
    ----------
    takes : sequence of TakeRecord
        As ``place`` returns them.
    missing : dict of str to list of int
        Take to the pitches without a note.
    model : DoubtModel or LearnedDoubt
    broken : dict of str to list of str
        Take to a line for each of its files that cannot be used.

    Returns
    -------
    Judgement
        Every take ranked from 1, the most doubtful first; equal doubts go by name.
    """
    table = table_of(takes)
    evidence = gather(table, trouble_of(takes, table))
    kinds, doubts = _said(model, table, evidence)
    row = _rows(table)
    spots = [_spot_record(table, spot) for spot in note_spots(table, evidence, kinds, doubts)]
    noise = dict(zip(kinds, doubts.T, strict=True)).get("noise", np.zeros(len(table)))
    spots += _noise_spots(takes, row, noise)
    spots += _heard_spots(takes, table, noise)
    certain = [*_technical(takes, model.certain), *_silent_spots(takes, model.certain)]
    certain += _sheet_spots(takes, missing, model.certain)
    certain += _broken_spots(takes, broken, model.certain)
    own = np.clip(doubts.sum(axis=1), 0.0, 1.0) if len(table) else np.zeros(0)
    ranked = _ranked(takes, {name: own[table.take == name] for name in {t.name for t in takes}}, spots, certain)
    notes = [
        NoteJudgement(take, number, float(own[i]), float(own[i]), float(evidence.outlier[i]))
        for (take, number), i in row.items()
    ]
    everything = sorted((*spots, *certain), key=lambda s: (s.take, -s.doubt, s.start_s, s.kind, s.mic or ""))
    return Judgement(model.version, tuple(ranked), tuple(notes), tuple(everything))


def _said(model: DoubtModel | LearnedDoubt, table: NoteTable, evidence: Evidence) -> tuple[list[str], np.ndarray]:
    if isinstance(model, DoubtModel):
        return model.probabilities(evidence)
    if not np.isfinite(table.embedding).any():  # nothing was embedded: no vector differs from its neighbours
        return model.probabilities(evidence, np.zeros((len(table), len(model.basis))))
    cohort = table.cohort(*COHORT)
    return model.probabilities(evidence, relative_vectors(table.embedding, cohort, table.pitch, table.take))


def _rows(table: NoteTable) -> dict[tuple[str, int], int]:
    keys = zip(table.take, table.number, strict=True)
    return {(str(take), int(number)): i for i, (take, number) in enumerate(keys)}


def _spot_record(table: NoteTable, spot: Spot) -> SpotRecord:
    return SpotRecord(
        str(table.take[spot.row]), spot.start_s, spot.end_s, int(table.number[spot.row]), spot.kind, spot.doubt,
        spot.why, None, spot.found, spot.expected, spot.unit,
    )  # fmt: skip


def _noise_spots(
    takes: Sequence[TakeRecord], row: dict[tuple[str, int], int], noise: np.ndarray
) -> list[SpotRecord]:
    """Return a spot for each noise hit: the doubt of its note's strongest, less as it is less exposed."""
    spots = []
    for take in takes:
        heard = [hit for hit in take.hits if is_of_a_note(hit) and (take.name, hit.note or 1) in row]
        strongest: dict[int, float] = {}
        for hit in heard:
            strongest[hit.note or 1] = max(strongest.get(hit.note or 1, 0.0), hit.exposed or 0.0)
        for hit in heard:
            note = hit.note or 1
            doubt = float(noise[row[take.name, note]]) * (hit.exposed or 0.0) / max(strongest[note], 1e-9)
            if doubt >= LEAST_DOUBT:
                over = f"{hit.over_floor_db or 0:.0f} dB over the floor"
                why = f"{hit.kind.replace('-', ' ')} in the {hit.mic} microphone, {over}"
                spots.append(SpotRecord(take.name, hit.start_s, hit.end_s, hit.note, hit.kind, doubt, why, hit.mic,
                                        hit.level_dbfs, None, "dBFS"))
    return spots


def _heard_spots(takes: Sequence[TakeRecord], table: NoteTable, noise: np.ndarray) -> list[SpotRecord]:
    """Return a spot for each note with a noise that the encoder heard and no hit explains, where it was clearest."""
    explained = {(take.name, hit.note or 1) for take in takes for hit in take.hits if is_of_a_note(hit)}
    spots = []
    for (take, number), i in _rows(table).items():
        if (take, number) in explained or noise[i] < 2 * LEAST_DOUBT or "noise" not in table.heard_s:
            continue
        at_s, odds = float(table.heard_s["noise"][i]), {kind: float(table.heard[kind][i]) for kind in NOISES}
        kind = max(odds, key=lambda name: odds[name])
        kind = kind if odds[kind] > 0 else "other-noise"  # more likely than not, by the encoder's own count
        why = f"{kind.replace('-', ' ')} heard with the note, clearer than with its neighbours"
        spots.append(SpotRecord(take, max(0.0, at_s - 0.15), at_s + 0.25, number, kind, float(noise[i]), why,
                                str(table.mic[i]) or None))
    return spots


def _technical(takes: Sequence[TakeRecord], certain: dict[str, float]) -> list[SpotRecord]:
    """Return one spot for each kind of technical trouble on each microphone of a take."""
    spots = []
    for take in takes:
        seen: set[tuple[str, str]] = set()
        for hit in take.hits:
            if is_technical(hit) and (hit.kind, hit.mic) not in seen:
                seen.add((hit.kind, hit.mic))
                count = sum(1 for other in take.hits if (other.kind, other.mic) == (hit.kind, hit.mic))
                places = f", {count} places" if count > 1 else ""
                peak = f", true peak {hit.level_dbfs:+.1f} dBTP" if hit.level_dbfs is not None else ""
                why = f"{TECHNICAL[hit.kind]} in the {hit.mic} microphone{places}{peak}"
                spots.append(SpotRecord(take.name, hit.start_s, hit.end_s, hit.note, hit.kind,
                                        certain.get(hit.kind, 0.9), why, hit.mic, hit.level_dbfs, None,
                                        "dBTP" if peak else None))
    facts = [
        TrackFacts(take.name, take.instrument or "", f.mic, f.level_dbfs, f.note_dbfs, f.lag_s, f.polarity, f.clear)
        for take in takes for f in take.floors
    ]  # fmt: skip
    length = {take.name: take.duration_s or 0.0 for take in takes}
    known = {(spot.take, spot.mic, spot.kind) for spot in spots}
    for fault in track_faults(facts):
        if (fault.take, fault.mic, fault.kind) not in known:
            spots.append(SpotRecord(fault.take, 0.0, length[fault.take], None, fault.kind,
                                    certain.get(fault.kind, 0.9), f"{fault.mic} microphone {fault.why}", fault.mic,
                                    fault.found, fault.expected, fault.unit))
    return spots


def _silent_spots(takes: Sequence[TakeRecord], certain: dict[str, float]) -> list[SpotRecord]:
    """Return a spot for each take that was read and holds no note at all."""
    return [
        SpotRecord(take.name, 0.0, take.duration_s or 0.0, None, "dead-track", certain.get("dead-track", 0.9),
                   "no note found in the whole take")
        for take in takes if take.tracks and not take.notes and all(hit.kind != "dead-track" for hit in take.hits)
    ]  # fmt: skip


def _sheet_spots(
    takes: Sequence[TakeRecord], missing: dict[str, list[int]], certain: dict[str, float]
) -> list[SpotRecord]:
    """Return a spot where a note is too few or too many against the sheet."""
    spots = []
    for take in takes:
        if gaps := missing.get(take.name):
            names = ", ".join(dict.fromkeys(pitch_name(pitch) for pitch in gaps))
            why = f"{len(gaps)} of {len(expected(take))} notes on the take sheet not found: {names}"
            spots.append(SpotRecord(take.name, 0.0, take.duration_s or 0.0, None, "wrong-note",
                                    certain.get("missing", 0.9), why, None, float(len(take.notes)),
                                    float(len(expected(take))), "notes"))
        if expected(take):
            for note in take.notes:
                if note.sheet_midi is None:
                    spots.append(SpotRecord(take.name, note.start_s, note.end_s, note.number, "wrong-note",
                                            certain.get("extra", 0.9), "a note more than the take sheet asks for"))
    return spots


def _broken_spots(
    takes: Sequence[TakeRecord], broken: dict[str, list[str]], certain: dict[str, float]
) -> list[SpotRecord]:
    length = {take.name: take.duration_s or 0.0 for take in takes}
    return [
        SpotRecord(name, 0.0, length[name], None, "truncated", certain.get("truncated", 0.95), line)
        for name, lines in sorted(broken.items()) if name in length for line in lines
    ]  # fmt: skip


def _ranked(
    takes: Sequence[TakeRecord], own: dict[str, np.ndarray], spots: Sequence[SpotRecord],
    certain: Sequence[SpotRecord],
) -> list[TakeJudgement]:
    doubts = {
        take.name: any_of([*own[take.name], *(s.doubt for s in certain if s.take == take.name)]) for take in takes
    }
    listen = {take.name: _union_s([s for s in (*spots, *certain) if s.take == take.name], take) for take in takes}
    order = sorted(doubts, key=lambda name: (-round(doubts[name], 9), name))
    return [TakeJudgement(name, doubts[name], listen[name], rank) for rank, name in enumerate(order, start=1)]


def _union_s(spots: Sequence[SpotRecord], take: TakeRecord) -> float:
    """Return how long it takes to hear a take's spots once, each with AROUND_S before and after it."""
    total, until = 0.0, 0.0
    for spot in sorted(spots, key=lambda s: s.start_s):
        first, last = max(until, spot.start_s - AROUND_S, 0.0), min(spot.end_s + AROUND_S, take.duration_s or np.inf)
        total, until = total + max(0.0, last - first), max(until, last)
    return total


def _number(value: float | None) -> float:
    return np.nan if value is None else float(value)

