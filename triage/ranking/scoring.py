"""From what was heard to what is doubtful: all takes of one session in, notes put on the sheet, doubts and ranks out.

Nothing is listened to here and no database is asked: takes come in as ``take.py`` made them. ``weigh`` gathers
what speaks against each note, which takes long; ``said`` asks a model for the doubts, which does not: another model
begins there.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from triage.analysis.encoding import PARTS, evidence_of, vector_name
from triage.domain.judgement import Judgement, NoteJudgement, TakeJudgement
from triage.domain.measurements import COMPARED
from triage.domain.spot import Spot
from triage.domain.take import Take
from triage.judge.active_learning import teaching_order
from triage.judge.cohorts import Expectation
from triage.judge.doubt import DoubtModel, any_of
from triage.judge.features import COHORT, Evidence, Trouble, gather
from triage.judge.learned_doubt import LearnedDoubt
from triage.judge.note_table import NoteTable
from triage.judge.relative_vectors import relative_vectors
from triage.judge.spots import LEAST_DOUBT, NoteSpot, note_spots
from triage.listen.encoder import EVIDENCE, NOISES
from triage.listen.masking import over_decay
from triage.ranking.findings import NOISE, Finding, findings_of, is_of_a_note

AROUND_S = 0.5
Model = DoubtModel | LearnedDoubt


@dataclass(frozen=True)
class Weighed:
    """What speaks against the notes and takes of a session, all that a model needs to judge them.

    Numbers are as fine as they are kept in the store (``packing.py``), so that a model says the same of them whether
    they were gathered just now or then. ``relative`` (note, dimension) has no columns where nothing was embedded.
    """

    table: NoteTable
    evidence: Evidence
    relative: np.ndarray
    lengths_s: dict[str, float | None]  # of every take
    findings: tuple[Finding, ...]


def table_of(takes: Sequence[Take], encoder: str | None = None) -> NoteTable:
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
        embedding=np.array([note.embeddings.get(name, unknown) for _, note in rows], dtype=float).reshape(
            len(rows), len(unknown)
        ),
        heard={kind: heard[:, i, 0] for i, kind in told},
        heard_mean={kind: heard[:, i, 1] for i, kind in told},
        heard_s={kind: heard[:, i, 2] + starts_s for i, kind in told},
    )


def trouble_of(takes: Sequence[Take], table: NoteTable) -> Trouble:
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


def weigh(takes: Sequence[Take], missing: Mapping[str, list[int]], broken: Mapping[str, list[str]]) -> Weighed:
    """Gather what speaks against the notes and takes of a session.

    Parameters
    ----------
    takes : sequence of Take
        As ``place`` returns them.
    missing : mapping of str to list of int
        Take to the pitches without a note.
    broken : mapping of str to list of str
        Take to a line for each of its files that cannot be used.
    """
    table = table_of(takes)
    evidence = gather(table, trouble_of(takes, table))
    relative = np.zeros((len(table), 0))
    if np.isfinite(table.embedding).any():
        relative = relative_vectors(table.embedding, table.cohort(*COHORT), table.pitch, table.take)
    return Weighed(
        replace(table, embedding=np.zeros((len(table), 0))),
        as_kept(evidence),
        relative.astype(np.float16).astype(float),
        {take.name: take.duration_s for take in takes},
        tuple(findings_of(takes, _rows(table), missing, broken)),
    )


def as_kept(evidence: Evidence) -> Evidence:
    """Return evidence as fine as it is kept; how wide an expectation is, no model asks."""
    unsaid = np.full(len(evidence.outlier), np.nan)
    told = {
        name: Expectation(_single(one.expected), unsaid, _single(one.z), unsaid)
        for name, one in evidence.deviations.items()
    }
    return Evidence(told, _single(evidence.outlier), evidence.names, _single(evidence.matrix))


def judge(
    takes: Sequence[Take], missing: dict[str, list[int]], model: Model, broken: dict[str, list[str]]
) -> Judgement:
    """Judge and rank all takes of a session; parameters as of ``weigh``."""
    return said(weigh(takes, missing, broken), model)


def said(weighed: Weighed, model: Model, heard: Collection[str] = ()) -> Judgement:
    """Return what a model says of a session: every take ranked from 1, the most doubtful first, equal ones by name.

    ``heard`` are the takes that somebody has heard: what is unlike them teaches most.
    """
    table, evidence = weighed.table, weighed.evidence
    kinds, doubts = _probabilities(model, weighed)
    noise = dict(zip(kinds, doubts.T, strict=True)).get("noise", np.zeros(len(table)))
    spots = [_spot_record(table, spot) for spot in note_spots(table, evidence, kinds, doubts)]
    spots += _noise_spots(weighed.findings, noise)
    spots += _heard_spots(weighed, noise)
    certain = [
        replace(one.spot, doubt=model.certain.get(one.basis, one.spot.doubt))
        for one in weighed.findings
        if one.basis != NOISE
    ]
    own = np.clip(doubts.sum(axis=1), 0.0, 1.0) if len(table) else np.zeros(0)
    ranked = _ranked(weighed, own, spots, certain)
    notes = [
        NoteJudgement(take, number, float(own[i]), float(own[i]), float(evidence.outlier[i]))
        for (take, number), i in _rows(table).items()
    ]
    everything = sorted((*spots, *certain), key=lambda s: (s.take, -s.doubt, s.start_s, s.kind, s.mic or ""))
    return Judgement(model.version, _with_lessons(ranked, weighed, own, heard), tuple(notes), tuple(everything))


def _single(values: np.ndarray) -> np.ndarray:
    return values.astype(np.float32).astype(float)


def _probabilities(model: Model, weighed: Weighed) -> tuple[list[str], np.ndarray]:
    if isinstance(model, DoubtModel):
        return model.probabilities(weighed.evidence)
    relative = weighed.relative
    if not relative.shape[1]:  # nothing was embedded: no vector differs from its neighbours
        relative = np.zeros((len(relative), len(model.basis)))
    return model.probabilities(weighed.evidence, relative)


def _rows(table: NoteTable) -> dict[tuple[str, int], int]:
    keys = zip(table.take.tolist(), table.number.tolist(), strict=True)
    return {key: i for i, key in enumerate(keys)}


def _spot_record(table: NoteTable, spot: NoteSpot) -> Spot:
    return Spot(
        str(table.take[spot.row]),
        spot.start_s,
        spot.end_s,
        int(table.number[spot.row]),
        spot.kind,
        spot.doubt,
        spot.why,
        None,
        spot.found,
        spot.expected,
        spot.unit,
    )


def _noise_spots(findings: Sequence[Finding], noise: np.ndarray) -> list[Spot]:
    """Return a spot for each noise hit: the doubt of its note's strongest, less as it is less exposed."""
    doubted = ((one.spot, float(noise[one.row]) * one.share) for one in findings if one.basis == NOISE)
    return [replace(spot, doubt=doubt) for spot, doubt in doubted if doubt >= LEAST_DOUBT]


def _heard_spots(weighed: Weighed, noise: np.ndarray) -> list[Spot]:
    """Return a spot for each note with a noise that the encoder heard and no hit explains, where it was clearest."""
    table, spots = weighed.table, []
    if "noise" not in table.heard_s:
        return []
    explained = {one.row for one in weighed.findings if one.basis == NOISE}
    for i in np.flatnonzero(noise >= 2 * LEAST_DOUBT):
        if int(i) in explained:
            continue
        at_s, odds = float(table.heard_s["noise"][i]), {kind: float(table.heard[kind][i]) for kind in NOISES}
        kind = max(odds, key=lambda name: odds[name])
        kind = kind if odds[kind] > 0 else "other-noise"  # more likely than not, by the encoder's own count
        why = f"{kind.replace('-', ' ')} heard with the note, clearer than with its neighbours"
        spots.append(
            Spot(
                str(table.take[i]),
                max(0.0, at_s - 0.15),
                at_s + 0.25,
                int(table.number[i]),
                kind,
                float(noise[i]),
                why,
                str(table.mic[i]) or None,
            )
        )
    return spots


def _ranked(weighed: Weighed, own: np.ndarray, spots: Sequence[Spot], certain: Sequence[Spot]) -> list[TakeJudgement]:
    doubts: dict[str, list[float]] = {name: [] for name in weighed.lengths_s}
    hear: dict[str, list[Spot]] = {name: [] for name in weighed.lengths_s}
    for name, doubt in zip(weighed.table.take.tolist(), own.tolist(), strict=True):
        doubts[name].append(doubt)
    for spot in certain:
        doubts[spot.take].append(spot.doubt)
    for spot in (*spots, *certain):
        hear[spot.take].append(spot)
    whole = {name: any_of(each) for name, each in doubts.items()}
    order = sorted(whole, key=lambda name: (-round(whole[name], 9), name))
    return [
        TakeJudgement(name, whole[name], _union_s(hear[name], weighed.lengths_s[name]), rank)
        for rank, name in enumerate(order, start=1)
    ]


def _with_lessons(
    ranked: Sequence[TakeJudgement], weighed: Weighed, own: np.ndarray, heard: Collection[str]
) -> tuple[TakeJudgement, ...]:
    """Return the takes with the order in which they would teach; a take stands for its most doubtful note."""
    worst: dict[str, int] = {}
    for i, name in enumerate(weighed.table.take.tolist()):
        if own[i] > own[worst.setdefault(name, i)]:
            worst[name] = i
    vectors = np.full((len(ranked), max(1, weighed.relative.shape[1])), np.nan)
    for at, take in enumerate(ranked):
        if take.take in worst and weighed.relative.shape[1]:
            vectors[at] = weighed.relative[worst[take.take]]
    known = np.array([take.take in heard for take in ranked], bool)
    order = teaching_order(np.array([take.doubt for take in ranked], float), vectors, known)
    teach = {int(row): n for n, row in enumerate(order, start=1)}
    return tuple(replace(take, teach=teach.get(at)) for at, take in enumerate(ranked))


def _union_s(spots: Sequence[Spot], length_s: float | None) -> float:
    """Return how long it takes to hear a take's spots once, each with AROUND_S before and after it."""
    total, until = 0.0, 0.0
    for spot in sorted(spots, key=lambda s: s.start_s):
        first, last = max(until, spot.start_s - AROUND_S, 0.0), min(spot.end_s + AROUND_S, length_s or np.inf)
        total, until = total + max(0.0, last - first), max(until, last)
    return total


def _number(value: float | None) -> float:
    return np.nan if value is None else float(value)
