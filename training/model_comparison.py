"""Comparing: the new way to judge, the model in use and the shipped doubt on sessions that none of them has seen.

Examples of all sessions with verdicts go in; each model's scores by session, their differences, and what the held-out
models thought of every word come out.
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
    parts_of,
    session_scores,
    take_doubts,
    take_labels,
)
from training.verdict_examples import VerdictExamples
from triage.cli.output import notify
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
class Situation:
    """What is the same for every fit: the shipped doubt, the recipe, the encoder."""

    shipped: DoubtModel
    config: RetrainingConfig
    encoder: str


def compare(
    now: Sequence[VerdictExamples], before: Sequence[VerdictExamples], form: str | None, fixed: Situation
) -> Compared:
    """Score the three on sessions held out in turn (its takes in turn, where there is one session alone).

    ``before`` holds what the model in use, of candidate ``form``, had been told: it was trained on some of these
    sessions, so it is fitted again as it was without those held out.
    """
    config = fixed.config
    parts = parts_of(now, config.outer_folds)
    scores: dict[str, list[dict[str, float]]] = {"new": [], "in use": [], SHIPPED: []}
    plotted, places, rejected, chances = [], list[NoteKey](), list[bool](), list[float]()
    for out in folds(len(parts), config.outer_folds) if len(parts) > 1 else []:
        outside, inside = [parts[i] for i in out], [one for i, one in enumerate(parts) if i not in set(out)]
        new = build(inside, fixed.shipped, config, fixed.encoder).model
        old = _as_it_was(before, outside, form, fixed)
        for one in outside:
            rows = [session_scores(model, one) for model in (new, old, fixed.shipped)]
            for name, row in zip(scores, rows, strict=True):
                if row is not None:
                    scores[name].append(row)
            plotted.append(_takes(new, one))
            own = _words(new, one)
            places += own[0]
            rejected += own[1]
            chances += own[2]
        notify(f"compared on {', '.join(dict.fromkeys(one.session for one in outside))}")
    own_scores = {name: [row[config.rule.measure] for row in rows] for name, rows in scores.items()}
    new_scores = own_scores["new"]
    return Compared(
        scores,
        difference(new_scores, own_scores["in use"], config.rule),
        difference(new_scores, own_scores[SHIPPED], config.rule),
        plotted,
        contradictions(places, np.array(rejected, bool), np.array(chances)),
    )


def _as_it_was(
    before: Sequence[VerdictExamples], outside: Sequence[VerdictExamples], form: str | None, fixed: Situation
) -> DoubtModel | LearnedDoubt:
    """Return the model in use as it would be without what is held out."""
    hidden = {(one.session, word.take) for one in outside for word in one.words}
    kept = [one.only([i for i, w in enumerate(one.words) if (one.session, w.take) not in hidden]) for one in before]
    kept = [one for one in kept if one.words]
    if form is None or not kept:
        return fixed.shipped
    return learn(form, fixed.shipped, kept, fixed.config.fit, fixed.encoder)


def _takes(model: LearnedDoubt, one: VerdictExamples) -> tuple[np.ndarray, np.ndarray]:
    doubts, labels = take_doubts(model, one), take_labels(one)
    names = [name for name in labels if name in doubts]
    return np.array([doubts[name] for name in names]), np.array([labels[name] for name in names], float)


def _words(model: LearnedDoubt, one: VerdictExamples) -> tuple[list[NoteKey], list[bool], list[float]]:
    """Return each word's place, whether it was a reject, and the probability that the model gives to one."""
    bad = np.clip(model.probabilities(one.features, one.relative)[1].sum(axis=1), 0, 1 - 1e-9)
    places: list[NoteKey] = [(one.session, word.take, word.note) for word in one.words]
    chances = [float(-np.expm1(np.log1p(-bad[rows]).sum())) for rows in one.rows]
    return places, [word.rejected >= 0.5 for word in one.words], chances
