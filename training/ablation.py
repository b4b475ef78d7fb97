"""Ablation: how much each embedding improves the queue, all else being equal.

Every variant gets a doubt model of its own, fitted on the same calibration sessions, and ranks the same sessions: no
embedding at all; mel cepstra; a general pretrained embedding; ours, vectors alone and with its activations.
"""

from collections.abc import Sequence
from dataclasses import replace

from training.analysed_sessions import AnalysedSession
from training.calibrate import CalibrationConfig, fitted, labelled_notes
from training.general_embedding import NAME as GENERAL
from training.ranked_sessions import TOOL, Ranked, rank_one
from triage.listen.embed import FixedEmbedding

VARIANTS = {
    "no embedding": "",
    "mel cepstra": FixedEmbedding.name,
    "a general pretrained embedding": GENERAL,
    "ours, vectors alone": "vectors",
    "ours": "ours",
}


def variant(session: AnalysedSession, which: str) -> AnalysedSession:
    """Return a session as if analysed with one variant's embedding alone."""
    if which in ("ours", "vectors"):
        return session.only(activations=which == "ours")
    return session.only(which)


def ablated(
    calibration: list[AnalysedSession],
    sessions: list[AnalysedSession],
    config: CalibrationConfig,
    seed: int,
    chosen: Sequence[str],
) -> list[Ranked]:
    """Return the sessions with one ranking for each chosen of VARIANTS in place of the baselines'."""
    rankings: dict[str, list[Ranked]] = {}
    for name in chosen:
        which = VARIANTS[name]
        known = [variant(one, which) for one in calibration]
        model = fitted(known, [labelled_notes(one) for one in known], config)
        rankings[name] = [rank_one(variant(one, which), model, seed + i) for i, one in enumerate(sessions)]
    return [
        replace(rows[0], scores={name: row.scores[TOOL] for name, row in zip(rankings, rows, strict=True)})
        for rows in zip(*rankings.values(), strict=True)
    ]
