"""A model applied to a session: its features in, doubts, spots and the ranked takes out."""

from collections.abc import Collection, Iterator, Sequence
from dataclasses import replace

import numpy as np

from triage.domain.judgement import Judgement, NoteJudgement
from triage.domain.kinds import SPOILS_MEASURING
from triage.domain.spot import Spot
from triage.judge.spots import LEAST_DOUBT, note_spots
from triage.judge.tasted_doubt import TastedDoubt, base_probabilities
from triage.listen.encoder import NOISES
from triage.ranking.findings import NOISE, Finding
from triage.ranking.model_in_use import Model
from triage.ranking.note_table import rows_by_note
from triage.ranking.session_features import SessionFeatures
from triage.ranking.take_ranking import ranked_takes

PEAK_BEFORE_S, PEAK_AFTER_S = 0.15, 0.25  # around the moment at which a noise was clearest


def judge(features: SessionFeatures, model: Model, reviewed: Collection[str] = ()) -> Judgement:
    """Return a model's judgement of a session: every take ranked from 1, the most doubtful first, equal ones by name.

    Parameters
    ----------
    features : SessionFeatures
    model : Model
    reviewed : collection of str
        Names of the takes that somebody has heard: what is unlike them is most informative.
    """
    table = features.table
    certain = [
        replace(one.spot, doubt=model.certain.get(one.basis, one.spot.doubt))
        for one in features.findings
        if one.basis != NOISE
    ]
    kinds, probabilities = _probabilities(model, features)
    probabilities = explained_away(probabilities, features, certain)
    noise = dict(zip(kinds, probabilities.T, strict=True)).get("noise", np.zeros(len(table)))
    doubts = np.clip(probabilities.sum(axis=1), 0.0, 1.0) if len(table) else np.zeros(0)
    spots = [
        *note_spots(table, features.notes, kinds, probabilities),
        *_noise_spots(features.findings, noise),
        *_unlocated_noise_spots(features, noise),
    ]
    locked = model.taste.locked if isinstance(model, TastedDoubt) else ()
    takes = ranked_takes(features, probabilities, spots, certain, reviewed, kinds, locked)
    notes = tuple(
        NoteJudgement(take, number, float(doubts[row]), float(doubts[row]), float(features.notes.outlier[row]))
        for (take, number), row in rows_by_note(table).items()
    )
    order = sorted((*spots, *certain), key=lambda s: (s.take, -s.doubt, s.start_s, s.kind, s.mic or ""))
    return Judgement(model.version, takes, notes, tuple(order))


def explained_away(probabilities: np.ndarray, features: SessionFeatures, certain: Sequence[Spot]) -> np.ndarray:
    """Return the probabilities of notes, less where a technical fault explains how a note measures.

    A note that was measured through a dropout deviates because of it: the probability p that it was played badly too
    becomes p (1 - P(dropout)) [shape=(note, kind)]; which kinds do that the registry says (``spoils_measuring``).
    """
    left, table = np.ones(len(features.table)), features.table
    rows = rows_by_note(table)
    for spot in certain:
        row = rows.get((spot.take, spot.note or 0))
        if spot.kind in SPOILS_MEASURING and row is not None and table.mic[row] in ("", spot.mic):
            left[row] *= 1 - spot.doubt
    return probabilities * left[:, None] if len(left) else probabilities


def _probabilities(model: Model, features: SessionFeatures) -> tuple[list[str], np.ndarray]:
    if isinstance(model, TastedDoubt):
        return model.probabilities(features.notes, features.relative, features.table)
    return base_probabilities(model, features.notes, features.relative)


def _noise_spots(findings: Sequence[Finding], noise: np.ndarray) -> Iterator[Spot]:
    """Yield a spot for each noise hit: its doubt is that of the note's strongest hit, less as it is less exposed."""
    for one in findings:
        if one.basis == NOISE and (doubt := float(noise[one.row]) * one.share) >= LEAST_DOUBT:
            yield replace(one.spot, doubt=doubt)


def _unlocated_noise_spots(features: SessionFeatures, noise: np.ndarray) -> Iterator[Spot]:
    """Yield a spot for each note with a noise that the encoder found and no hit explains, where it was clearest."""
    table = features.table
    explained = {one.row for one in features.findings if one.basis == NOISE}
    for row in map(int, np.flatnonzero(noise >= 2 * LEAST_DOUBT)):
        if "noise" not in table.activation_peak_s or row in explained:
            continue
        at_s, log_odds = (
            float(table.activation_peak_s["noise"][row]),
            {kind: float(table.activation_peak[kind][row]) for kind in NOISES},
        )
        likeliest = max(log_odds, key=lambda name: log_odds[name])
        kind = likeliest if log_odds[likeliest] > 0 else "other-noise"  # none more likely than not
        yield Spot(
            take=str(table.take[row]),
            start_s=max(0.0, at_s - PEAK_BEFORE_S),
            end_s=at_s + PEAK_AFTER_S,
            note=int(table.number[row]),
            kind=kind,
            doubt=float(noise[row]),
            why=f"{kind.replace('-', ' ')} found with the note, clearer than with its neighbours",
            mic=str(table.mic[row]) or None,
        )
