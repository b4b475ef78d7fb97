"""The ablation: what each embedding is worth to the queue, all else being equal.

Every variant gets a doubt model of its own, fitted on the same heard calibration sessions, and ranks the same heard
sessions: no embedding at all; mel cepstra; a general pretrained embedding (``general_embedding.py``); ours, vectors
alone and with its evidence over time.
"""

from collections.abc import Sequence
from dataclasses import replace

from training.calibrate import CalibrationConfig, examples_of, fitted
from training.examples import Heard
from training.general_embedding import NAME as GENERAL
from training.ranked_sessions import TOOL, Ranked, rank_one
from triage.analysis.encoding import BESIDE
from triage.listen.embed import FixedEmbedding

VARIANTS = {
    "no embedding": "",
    "mel cepstra": FixedEmbedding.name,
    "general pretrained (aisfx)": GENERAL,
    "ours, vectors alone": "vectors",
    "ours": "ours",
}


def variant(heard: Heard, which: str) -> Heard:
    """Return a session as if it had been heard with one variant's embedding alone."""
    if which == "ours":
        return heard.only()
    if which != "vectors":
        return heard.only(which)
    own = heard.only()
    return replace(
        own,
        takes=[
            replace(
                take,
                notes=tuple(
                    replace(note, embeddings={k: v for k, v in note.embeddings.items() if not k.endswith(BESIDE)})
                    for note in take.notes
                ),
            )
            for take in own.takes
        ],
    )


def ablated(
    calibration: list[Heard], sessions: list[Heard], config: CalibrationConfig, seed: int, chosen: Sequence[str]
) -> list[Ranked]:
    """Return the sessions with one ranking for each chosen of VARIANTS in place of the baselines'."""
    rankings: dict[str, list[Ranked]] = {}
    for name in chosen:
        which = VARIANTS[name]
        known = [variant(one, which) for one in calibration]
        model = fitted(known, [examples_of(one) for one in known], config)
        rankings[name] = [rank_one(variant(one, which), model, seed + i) for i, one in enumerate(sessions)]
    return [
        replace(rows[0], scores={name: row.scores[TOOL] for name, row in zip(rankings, rows, strict=True)})
        for rows in zip(*rankings.values(), strict=True)
    ]
