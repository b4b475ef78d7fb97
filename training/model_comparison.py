"""Comparison of the new model, the model in use and the shipped doubt on sessions that none of them has seen.

Examples of all sessions with verdicts go in; each model's scores by session, their differences, and the
held-out models' probability for every label come out.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from training.agreement_report import Contradiction, NoteKey, contradictions
from training.candidates import learn
from training.selection import (
    Difference,
    RetrainingConfig,
    build,
    difference,
    folds,
    held_out_units,
    session_scores,
    take_doubts,
    take_labels,
)
from training.verdict_examples import VerdictExamples
from triage.judge.doubt import DoubtModel
from triage.judge.learned_doubt import LearnedDoubt
from triage.store.models import SHIPPED


@dataclass(frozen=True)
class Compared:
    """Scores of the three models, each on the same sessions held out of its training, and what differs."""

    scores: dict[str, list[dict[str, float]]]
    against_in_use: Difference
    against_shipped: Difference
    held_out: list[tuple[np.ndarray, np.ndarray]]  # doubts and rejects of takes, for the calibration plot
    contradictions: list[Contradiction]


@dataclass(frozen=True)
class FitContext:
    """What all fits share: the shipped doubt, the recipe, the encoder."""

    shipped: DoubtModel
    config: RetrainingConfig
    encoder: str


def compare(
    now: Sequence[VerdictExamples], before: Sequence[VerdictExamples], form: str | None, context: FitContext
) -> Compared:
    """Score the three on sessions held out in turn (its takes in turn, where there is one session alone).

    ``before`` holds the labels that the model in use, of candidate ``form``, was trained on, some of them in these
    sessions, so it is fitted again without those held out.
    """
    config = context.config
    parts = held_out_units(now, config.outer_folds)
    scores: dict[str, list[dict[str, float]]] = {"new": [], "in use": [], SHIPPED: []}
    plotted, places, rejected, probabilities = [], list[NoteKey](), list[bool](), list[float]()
    for out in folds(len(parts), config.outer_folds) if len(parts) > 1 else []:
        outside, inside = [parts[i] for i in out], [one for i, one in enumerate(parts) if i not in set(out)]
        new = build(inside, context.shipped, config, context.encoder).model
        old = _in_use_without(before, outside, form, context)
        for one in outside:
            rows = [session_scores(model, one) for model in (new, old, context.shipped)]
            for name, row in zip(scores, rows, strict=True):
                if row is not None:
                    scores[name].append(row)
            plotted.append(_takes(new, one))
            own = _label_probabilities(new, one)
            places += own[0]
            rejected += own[1]
            probabilities += own[2]
    own_scores = {name: [row[config.rule.measure] for row in rows] for name, rows in scores.items()}
    new_scores = own_scores["new"]
    return Compared(
        scores,
        difference(new_scores, own_scores["in use"], config.rule),
        difference(new_scores, own_scores[SHIPPED], config.rule),
        plotted,
        contradictions(places, np.array(rejected, bool), np.array(probabilities)),
    )


def _in_use_without(
    before: Sequence[VerdictExamples], outside: Sequence[VerdictExamples], form: str | None, context: FitContext
) -> DoubtModel | LearnedDoubt:
    """Return the model in use as it would be without what is held out."""
    held = {(one.session, label.take) for one in outside for label in one.labels}
    left = [
        one.subset([i for i, label in enumerate(one.labels) if (one.session, label.take) not in held])
        for one in before
    ]
    left = [one for one in left if one.labels]
    if form is None or not left:
        return context.shipped
    return learn(form, context.shipped, left, context.config.fit, context.encoder)


def _takes(model: LearnedDoubt, one: VerdictExamples) -> tuple[np.ndarray, np.ndarray]:
    doubts, labels = take_doubts(model, one), take_labels(one)
    names = [name for name in labels if name in doubts]
    return np.array([doubts[name] for name in names]), np.array([labels[name] for name in names], float)


def _label_probabilities(model: LearnedDoubt, one: VerdictExamples) -> tuple[list[NoteKey], list[bool], list[float]]:
    """Return each label's place, whether it was a reject, and the probability that the model gives to one."""
    bad = np.clip(model.probabilities(one.features, one.relative)[1].sum(axis=1), 0, 1 - 1e-9)
    places: list[NoteKey] = [(one.session, label.take, label.note) for label in one.labels]
    probabilities = [float(-np.expm1(np.log1p(-bad[rows]).sum())) for rows in one.rows]
    return places, [label.rejected >= 0.5 for label in one.labels], probabilities
