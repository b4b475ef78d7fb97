"""The linear probe: do encoder outputs, with a few verdicts from one session, separate good and bad in the next?

Two analysed sessions of one instrument go in, the AUROC over the notes of the second comes out. Two probes: on the
vectors, each less its neighbours' in the cohort (``judge/relative_vectors.py``), so that instrument, pitch and room
are gone and a direction means a way of playing; and on the distances and the features that the judge takes from the
encoder.
"""

from dataclasses import dataclass

import numpy as np
from sklearn.linear_model import LogisticRegression
from sklearn.metrics import roc_auc_score

from training.calibrate import LabelledNotes
from triage.judge.doubt import FINE
from triage.judge.features import ACTIVATIONS, COHORT
from triage.judge.relative_vectors import relative_vectors
from triage.judge.robust import MAD_TO_SIGMA

STRENGTH = 0.003  # C of the logistic regression: few verdicts, many dimensions
LEAST_SPREAD = 1e-6
COLUMNS = ("outlier", "far", *(f"heard_{kind}" for kind in ACTIVATIONS))


@dataclass(frozen=True)
class Probed:
    """The notes of one session: one row of numbers each, and whether each was spoilt."""

    vectors: np.ndarray  # (note, dimension)
    rejected: np.ndarray  # (note,) bool


def probed(examples: LabelledNotes) -> dict[str, Probed]:
    """Return, for either probe, the notes of a built session that a person could give a verdict on."""
    table, features = examples.table, examples.features
    difference = relative_vectors(table.embedding, table.cohort(*COHORT), table.pitch, table.take)
    spread = MAD_TO_SIGMA * np.median(np.abs(difference), axis=0)  # of all notes, whatever is values of them
    values = features.matrix[:, [features.names.index(name) for name in COLUMNS]]
    rejected = (examples.kind != FINE)[examples.usable]
    return {
        "vectors": Probed((difference / np.maximum(spread, LEAST_SPREAD))[examples.usable], rejected),
        "distances and activations": Probed(values[examples.usable], rejected),
    }


def verdict_sample(rejected: np.ndarray, verdicts: int, rng: np.random.Generator) -> np.ndarray:
    """Return which notes get a verdict: half of them rejects where there are so many, the others accepted."""
    bad, good = np.flatnonzero(rejected), np.flatnonzero(~rejected)
    count = min(verdicts // 2, len(bad))
    chosen = rng.choice(bad, count, replace=False), rng.choice(good, min(verdicts - count, len(good)), replace=False)
    return np.concatenate(chosen)


def probe_auroc(first: Probed, second: Probed, verdicts: int, seed: int) -> float:
    """Return how well ``verdicts`` on the first session separate good from bad notes of the second (AUROC)."""
    rows = verdict_sample(first.rejected, verdicts, np.random.default_rng(seed))
    model = LogisticRegression(C=STRENGTH, class_weight="balanced", max_iter=2000)
    model.fit(first.vectors[rows], first.rejected[rows])
    return float(roc_auc_score(second.rejected, model.decision_function(second.vectors)))
