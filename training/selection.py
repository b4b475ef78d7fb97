"""Model selection: which candidate, how it is calibrated, and whether it is better, all on held-out sessions.

Splits go by session, never by note. Inside a training set the candidate is chosen and calibrated on sessions held out
of that set in turn (nested cross-validation), so that the outer sessions influence nothing.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np

from training.candidates import CANDIDATES, FitConfig, calibrate, learn, log_loss
from training.scores import auroc, average_precision, brier, work_saved
from training.verdict_examples import VerdictExamples
from triage.config import Strict
from triage.judge.doubt import DoubtModel, doubts_of_takes
from triage.judge.learned_doubt import LearnedDoubt

Build = Callable[[Sequence[VerdictExamples], Sequence[int]], LearnedDoubt]  # all sessions, those to learn from


class RuleConfig(Strict):
    """When a new model is put to use by itself."""

    measure: str
    level: float
    resamples: int
    sessions: int
    seed: int


class RetrainingConfig(Strict):
    """All of configs/retraining.toml."""

    candidates: tuple[str, ...]
    outer_folds: int
    inner_folds: int
    plenty: int  # labels from which on one inner fold is enough
    fit: FitConfig
    rule: RuleConfig


@dataclass(frozen=True)
class Chosen:
    """A model fitted to some sessions, the candidate it is, and each candidate's held-out log loss."""

    model: LearnedDoubt
    form: str
    losses: dict[str, float]


class Difference(NamedTuple):
    """How much better the new ranking is: mean over held-out sessions and its bootstrap interval."""

    mean: float
    low: float
    high: float
    sessions: int


def held_out_units(sessions: Sequence[VerdictExamples], count: int) -> list[VerdictExamples]:
    """Return what is held out in turn: sessions, or of a single session its takes in ``count`` parts."""
    labelled = [one for one in sessions if one.labels]
    if len(labelled) != 1:
        return list(labelled)
    takes = sorted({label.take for label in labelled[0].labels})
    part = {take: i % count for i, take in enumerate(takes)}
    chosen = [[i for i, label in enumerate(labelled[0].labels) if part[label.take] == k] for k in range(count)]
    return [labelled[0].subset(own) for own in chosen if own]


def folds(n: int, count: int) -> list[np.ndarray]:
    """Return the indices held out in each of at most ``count`` folds, every index once."""
    return [np.arange(n)[k::count] for k in range(min(count, n))]


def build(sessions: Sequence[VerdictExamples], shipped: DoubtModel, config: RetrainingConfig, encoder: str) -> Chosen:
    """Choose, fit and calibrate on these sessions alone.

    The simplest candidate wins whose mean held-out log loss is within one standard error of the best one's (Breiman
    et al., Classification and Regression Trees, 1984).
    """
    parts = held_out_units(sessions, config.inner_folds)
    forms = [form for form in CANDIDATES if form in config.candidates]
    losses: dict[str, list[float]] = {form: [] for form in forms}
    held: dict[str, list[tuple[LearnedDoubt, VerdictExamples]]] = {form: [] for form in forms}
    turns = folds(len(parts), config.inner_folds) if len(parts) > 1 else []
    if sum(len(part.labels) for part in parts) >= config.plenty:
        turns = turns[:1]
    for out in turns:
        inside = [part for i, part in enumerate(parts) if i not in set(out)]
        outside = [parts[i] for i in out]
        for form in forms:
            model = learn(form, shipped, inside, config.fit, encoder)
            losses[form] += log_loss(model, outside, config.fit.label_noise)
            held[form] += [(model, one) for one in outside]
    form = simplest(losses)
    fitted = learn(form, shipped, sessions, config.fit, encoder)
    slope, level = calibrate(held[form], config.fit.label_noise)
    mean = {name: float(np.nanmean(own)) if own else float("nan") for name, own in losses.items()}
    return Chosen(replace(fitted, slope=slope, level=level), form, mean)


def simplest(losses: dict[str, list[float]]) -> str:
    """Return the first candidate whose mean loss is within one standard error of the best one's, by session."""
    forms = list(losses)
    if not losses[forms[0]]:
        return forms[0]
    table = np.array([losses[form] for form in forms])
    table = table[:, np.isfinite(table).all(axis=0)]
    best = int(np.argmin(table.mean(axis=1)))
    for i, form in enumerate(forms):
        away = table[i] - table[best]
        error = away.std(ddof=1) / np.sqrt(len(away)) if len(away) > 1 else 0.0
        if away.mean() <= error:
            return form
    return forms[best]


def take_doubts(model: DoubtModel | LearnedDoubt, one: VerdictExamples) -> dict[str, float]:
    """Return the probability that each take is rejected, as the queue does; technical faults do not count."""
    if isinstance(model, LearnedDoubt):
        bad = model.probabilities(one.features, one.relative)[1].sum(axis=1)
    else:
        bad = model.probabilities(one.features)[1].sum(axis=1)
    return doubts_of_takes(bad, one.table.take)


def take_labels(one: VerdictExamples) -> dict[str, bool]:
    """Return whether each take that was settled was rejected: itself, or one of its notes."""
    rejected: dict[str, bool] = {}
    for label in one.labels:
        if label.note is None or label.rejected >= 0.5:
            rejected[label.take] = rejected.get(label.take, False) or label.rejected >= 0.5
    return rejected


def session_scores(model: DoubtModel | LearnedDoubt, one: VerdictExamples) -> dict[str, float] | None:
    """Return how well a model ranks the settled takes of a session; None where all were accepted or all rejected."""
    doubts, labels = take_doubts(model, one), take_labels(one)
    names = [name for name in labels if name in doubts]
    bad = np.array([labels[name] for name in names], bool)
    if not bad.any() or bad.all():
        return None
    own = np.array([doubts[name] for name in names])
    return {
        "auroc": auroc(bad, own),
        "average_precision": average_precision(bad, own),
        "work_saved": work_saved(bad, own),
        "brier": brier(bad, own),
    }


def difference(new: Sequence[float] | np.ndarray, old: Sequence[float] | np.ndarray, rule: RuleConfig) -> Difference:
    """Return how much higher ``new`` is than ``old``, session by session, with the paired bootstrap's interval.

    Sessions are drawn with replacement, each with both of its scores (Efron and Tibshirani, An Introduction to the
    Bootstrap, 1993, percentile interval).
    """
    away = np.asarray(new, float) - np.asarray(old, float)
    if not len(away):
        return Difference(float("nan"), float("nan"), float("nan"), 0)
    rng = np.random.default_rng(rule.seed)
    means = away[rng.integers(0, len(away), (rule.resamples, len(away)))].mean(axis=1)
    low, high = np.quantile(means, [(1 - rule.level) / 2, (1 + rule.level) / 2])
    return Difference(float(away.mean()), float(low), float(high), len(away))


def better(found: Difference, rule: RuleConfig) -> bool:
    """Tell whether the rule puts the new model to use: better beyond chance, on enough sessions."""
    return found.sessions >= rule.sessions and found.low > 0


def leaks(build_one: Build, sessions: Sequence[VerdictExamples], held_out: Sequence[int]) -> bool:
    """Tell whether what is held out reaches the model that should not know it.

    The held-out sessions are corrupted (verdicts inverted, features and vectors replaced by noise) and the model is
    built again: a build that keeps its splits gives the same numbers to the last digit.
    """
    rng = np.random.default_rng(0)
    inside = [i for i in range(len(sessions)) if i not in set(held_out)]
    corrupted = [one if i in inside else _corrupted(one, rng) for i, one in enumerate(sessions)]
    first, second = build_one(sessions, inside), build_one(corrupted, inside)
    same = all(
        np.array_equal(getattr(first, name), getattr(second, name))
        for name in ("weights", "offsets", "basis", "spread", "slope", "level")
    )
    return not (same and all(_equal(first.shift[key], second.shift.get(key)) for key in first.shift))


def _corrupted(one: VerdictExamples, rng: np.random.Generator) -> VerdictExamples:
    features = replace(one.features, matrix=rng.exponential(1.0, one.features.matrix.shape))
    labels = tuple(replace(label, rejected=1 - label.rejected) for label in one.labels)
    return replace(one, features=features, relative=rng.normal(size=one.relative.shape), labels=labels)


def _equal(a: Any, b: Any) -> bool:
    if hasattr(a, "predict_proba"):
        probe = np.random.default_rng(1).exponential(1.0, (200, a.n_features_in_))
        return bool(np.array_equal(a.predict_proba(probe), b.predict_proba(probe)))
    return bool(np.array_equal(a, b))
