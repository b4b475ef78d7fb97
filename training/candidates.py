"""Candidates: models that learn from verdicts, the simplest first, each a change to the shipped doubt.

Each starts as the shipped doubt and is regularised towards it by a Gaussian prior, so that few verdicts move it
little and many outweigh it (maximum a posteriori). Labels of whole takes enter by a multiple-instance likelihood: a
reject has probability 1 - prod(1 - p) over the notes, an accept prod(1 - p). Label noise e gives a reject the
probability e + (1 - 2 e) times that, so that no single verdict has a large influence.

weights  the weights of the features, still never negative
linear   and a linear term of the note's relative vector
head     and a small hidden layer over vector and features
trees    gradient boosting over features, vector and the doubt, mixed in by how many rejects there are
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import torch
from scipy.optimize import minimize
from sklearn.ensemble import HistGradientBoostingClassifier

from training.verdict_examples import VerdictExamples
from training.verdict_rows import VerdictRows, principal_axes, subsampled, verdict_rows
from triage.config import Strict
from triage.judge.doubt import FINE, DoubtModel
from triage.judge.features import kind_of_column
from triage.judge.learned_doubt import LEAST, LearnedDoubt

LEVELS = 64
LEAST_SCALE = 0.5  # sigmas: the least scale that a feature is given, so that a rare one is not learnt faster
CANDIDATES = ("weights", "linear", "trees", "head")  # in order of simplicity
TREES = {"max_iter": 60, "learning_rate": 0.1, "max_leaf_nodes": 8, "min_samples_leaf": 10, "l2_regularization": 5.0}


class FitConfig(Strict):
    """Standard deviations of the prior, in units of each input, and more."""

    weight: float
    offset: float
    slope: float
    hidden: float
    units: int
    components: int
    trees_half: float  # rejects at which trees and the rest count the same
    rows: int  # notes that a fit uses; of more it takes a weighted sample
    label_noise: float  # share of the verdicts that are errors
    seed: int


class _Parameter(NamedTuple):
    """One array to be fitted: its start, the prior's mean and standard deviation, and the least value it may take."""

    start: np.ndarray
    mean: np.ndarray
    sigma: float
    least: float | None = None


@dataclass(frozen=True)
class _Problem:
    """What one fit works on; kinds in the order of the weights' rows, without FINE."""

    candidate: str
    config: FitConfig
    rows: VerdictRows
    scale: np.ndarray  # (feature,)
    noise: np.ndarray  # (kind,) bool
    fixed: np.ndarray  # (kind, feature) bool: weights that stay as they are in the shipped doubt


def learn(
    candidate: str, shipped: DoubtModel, sessions: Sequence[VerdictExamples], config: FitConfig, encoder: str
) -> LearnedDoubt:
    """Fit one candidate on the labels of some sessions; nothing else of other sessions is used."""
    kinds = [str(kind) for kind in shipped.classifier.classes_ if kind != FINE]
    order = [list(shipped.classifier.classes_).index(kind) for kind in (FINE, *kinds)]
    weights, offsets = shipped.classifier.coef_[order], shipped.classifier.intercept_[order]
    weights, offsets = weights - weights[0], offsets - offsets[0]
    basis, spread = principal_axes(sessions, config.components)
    rows = subsampled(verdict_rows(sessions, kinds, basis, spread), config.rows, config.seed)
    matrix = np.concatenate([one.features.matrix for one in sessions])
    scale = np.maximum(np.sqrt((matrix**2).mean(axis=0)), LEAST_SCALE)
    fixed = np.array([[kind_of_column(name) not in (None, kind) for name in shipped.names] for kind in kinds])
    shift: dict[str, Any] = {"form": "none"}
    if len(rows.rejected):
        noise = np.array([kind == "noise" for kind in kinds])
        problem = _Problem(candidate, config, rows, scale, noise, fixed)
        weights, offsets, shift = _most_probable(problem, weights * scale, offsets)
        weights = weights / scale
        if candidate == "trees":
            shift = _trees(problem, weights, offsets)
    names, certain = shipped.names, shipped.certain
    return LearnedDoubt("", names, encoder, (FINE, *kinds), weights, offsets, certain, basis, spread, shift)


def _most_probable(
    problem: _Problem, weights: np.ndarray, offsets: np.ndarray
) -> tuple[np.ndarray, np.ndarray, dict[str, Any]]:
    """Return the most probable weights, offsets and shift; L-BFGS-B keeps the weights from being negative."""
    parameters = _parameters(problem, weights, offsets)
    start = np.concatenate([one.start.ravel() for one in parameters.values()])
    bounds = [(one.least, None) for one in parameters.values() for _ in range(one.start.size)]
    for index in np.flatnonzero(problem.fixed).tolist():  # the weights come first
        bounds[index] = (start[index], start[index])
    likelihood = _Likelihood(problem)

    def loss(values: np.ndarray) -> tuple[float, np.ndarray]:
        point = torch.from_numpy(values).requires_grad_()
        own, penalty = _unpacked(point, parameters), torch.zeros((), dtype=torch.float64)
        for name, one in parameters.items():
            penalty = penalty + (((own[name] - torch.from_numpy(one.mean)) / one.sigma) ** 2).sum() / 2
        total = penalty - likelihood(own)
        return float(total.detach()), torch.autograd.grad(total, point)[0].numpy().copy()

    options = {"maxiter": 300, "ftol": 1e-7}
    own = _unpacked(minimize(loss, start, jac=True, method="L-BFGS-B", bounds=bounds, options=options).x, parameters)
    shift: dict[str, Any] = {"form": "none"}
    if problem.candidate == "linear":
        shift = {"form": "linear", "slopes": own["slopes"]}
    elif problem.candidate == "head":
        shift = {"form": "head", "scale": problem.scale, **{name: own[name] for name in ("w1", "b1", "w2")}}
    zero = np.zeros((1, weights.shape[1]))
    return np.concatenate([zero, own["weights"]]), np.concatenate([[0.0], own["offsets"]]), shift


def _parameters(problem: _Problem, weights: np.ndarray, offsets: np.ndarray) -> dict[str, _Parameter]:
    config, width = problem.config, problem.rows.components.shape[1]
    parameters = {
        "weights": _Parameter(weights[1:].copy(), weights[1:].copy(), config.weight, 0.0),
        "offsets": _Parameter(offsets[1:].copy(), offsets[1:].copy(), config.offset),
    }
    if problem.candidate == "linear":
        parameters["slopes"] = _Parameter(np.zeros(width), np.zeros(width), config.slope)
    if problem.candidate == "head":
        inputs, units = width + problem.rows.matrix.shape[1], config.units
        w1 = np.random.default_rng(config.seed).normal(0, 0.5 / np.sqrt(inputs), (inputs, units))
        parameters["w1"] = _Parameter(w1, np.zeros(w1.shape), config.hidden)
        parameters["b1"] = _Parameter(np.zeros(units), np.zeros(units), 1.0)
        parameters["w2"] = _Parameter(np.zeros(units) + 1e-3, np.zeros(units), config.slope)
    return parameters


def _unpacked(values: Any, parameters: dict[str, _Parameter]) -> dict[str, Any]:
    """Return the arrays, or tensors, that lie one after another in ``values``."""
    ends = np.cumsum([one.start.size for one in parameters.values()]).tolist()
    parts = zip(parameters.items(), [0, *ends], ends, strict=False)
    return {name: values[start:end].reshape(one.start.shape) for (name, one), start, end in parts}


class _Likelihood:
    """Log-likelihood of all labels.

    Sum over labels of r log s(1 - prod(1 - p_kind)) + (1 - r) log s(prod p_fine); s(p) = e + (1 - 2e) p.
    """

    def __init__(self, problem: _Problem) -> None:
        rows = problem.rows
        self.matrix, self.components = (
            torch.from_numpy(rows.matrix / problem.scale),
            torch.from_numpy(rows.components),
        )
        self.group, self.rejected = torch.from_numpy(rows.group), torch.from_numpy(rows.rejected)
        self.weight, self.kind = torch.from_numpy(rows.weight), torch.from_numpy(rows.kind)[self.group]
        self.noise, self.label_noise = torch.from_numpy(problem.noise), problem.config.label_noise

    def __call__(self, own: dict[str, torch.Tensor]) -> torch.Tensor:
        """Return the log-likelihood of the labels under these parameters."""
        score = self.matrix @ own["weights"].T + own["offsets"]
        log_p = torch.log_softmax(torch.cat([torch.zeros(len(score), 1, dtype=score.dtype), score], 1), 1)
        each, fine = log_p[:, 1:].exp(), log_p[:, 0].exp()
        if "slopes" in own or "w1" in own:
            each, fine = self._shifted(own, each)
        named = each.gather(1, self.kind.clamp(min=0)[:, None])[:, 0]
        bad = torch.where(self.kind < 0, each.sum(1), named).clamp(max=1 - LEAST)
        none_bad = self._summed(torch.log1p(-bad))
        all_fine = self._summed(fine.clamp(min=LEAST).log())
        reject, accept = self._noisy(1 - none_bad.exp()), self._noisy(all_fine.exp())
        return (self.weight * (self.rejected * reject + (1 - self.rejected) * accept)).sum()

    def _summed(self, values: torch.Tensor) -> torch.Tensor:
        return torch.zeros(len(self.rejected), dtype=values.dtype).index_add(0, self.group, values)

    def _noisy(self, probability: torch.Tensor) -> torch.Tensor:
        return torch.log((self.label_noise + (1 - 2 * self.label_noise) * probability).clamp(min=LEAST))

    def _shifted(self, own: dict[str, torch.Tensor], each: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
        """Return the kinds and what is fine after the shift, as judge/learned_doubt.py computes them."""
        if "slopes" in own:
            delta = self.components @ own["slopes"]
        else:
            inputs = torch.cat([self.components, self.matrix], 1)
            delta = torch.tanh(inputs @ own["w1"] + own["b1"]) @ own["w2"]
        bad = each[:, ~self.noise].sum(1).clamp(LEAST, 1 - LEAST)
        quiet = torch.maximum(1 - each[:, self.noise].sum(1), bad + LEAST)
        now = quiet * torch.sigmoid(torch.log(bad / (quiet - bad)) + delta)
        each = torch.where(self.noise[None, :], each, each * (now / bad)[:, None])
        return each, (quiet - now).clamp(min=LEAST)


def _trees(problem: _Problem, weights: np.ndarray, offsets: np.ndarray) -> dict[str, Any]:
    """Return gradient boosting over the rows; a rejected take is shared out by how doubtful each note was."""
    rows, noise, config = problem.rows, problem.noise, problem.config
    score = rows.matrix @ weights.T + offsets
    each = np.exp(score - np.logaddexp.reduce(score, axis=1)[:, None])[:, 1:]
    played = each[:, ~noise].sum(axis=1).clip(LEAST, 1 - LEAST)
    odds = np.log(played / np.clip(1 - each.sum(axis=1), LEAST, None))
    about_noise = (rows.kind >= 0) & noise[np.clip(rows.kind, 0, None)]
    some = 1 - np.exp(np.bincount(rows.group, np.log1p(-played), len(rows.rejected)))
    rejected = rows.rejected[rows.group]
    share = rejected * np.clip(played / np.clip(some[rows.group], LEAST, None), 0, 1)
    use = ~(about_noise[rows.group] & (rejected > 0))  # a noise is no evidence about the playing
    rejects = float((rows.weight * rows.rejected)[~about_noise].sum())
    if rejects < 2 or use.sum() < 20 or (share[use] < 0.5).sum() < 2:
        return {"form": "none"}
    inputs = _quantised(np.column_stack([rows.matrix, rows.components, odds])[use])
    share, weight = share[use], rows.weight[rows.group][use]
    bad, fine = share > 0, share < 1  # a row that may be either counts as both, in parts
    target = np.repeat([1, 0], [bad.sum(), fine.sum()])
    parts = np.concatenate([(weight * share)[bad], (weight * (1 - share))[fine]])
    trees = HistGradientBoostingClassifier(**TREES, early_stopping=False, random_state=config.seed)
    trees.fit(np.concatenate([inputs[bad], inputs[fine]]), target, sample_weight=parts)
    return {"form": "trees", "trees": trees, "share": rejects / (rejects + config.trees_half)}


def _quantised(inputs: np.ndarray) -> np.ndarray:
    """Return each column rounded down to the nearest of LEVELS of its quantiles.

    The trees' splits lie at quantiles anyway; finding them among weighted values takes scikit-learn ten times as long
    as growing the trees.
    """
    out = inputs.copy()
    for column in out.T:
        levels = np.unique(np.quantile(column, np.linspace(0, 1, LEVELS), method="lower"))
        column[:] = levels[np.searchsorted(levels, column, side="right") - 1]
    return out


def calibrate(held_out: Sequence[tuple[LearnedDoubt, VerdictExamples]], label_noise: float) -> tuple[float, float]:
    """Return slope and level that calibrate a candidate, from its doubts of sessions that it did not learn from.

    Platt scaling by the same likelihood of labels, with a prior at slope 1 and level 0 (0.1 and 0.25 wide: a slope
    changes the order of takes, because one very doubtful note and many slightly doubtful ones add up differently).
    """
    doubts = [(one.probabilities(own.features, own.relative)[1].sum(axis=1), own) for one, own in held_out]
    log_odds = [np.log(np.clip(p, LEAST, 1 - LEAST) / (1 - np.clip(p, LEAST, 1 - LEAST))) for p, _ in doubts]
    rows = [odds[own] for odds, (_, one) in zip(log_odds, doubts, strict=True) for own in one.rows]
    if not rows:
        return 1.0, 0.0
    x, group = np.concatenate(rows), np.repeat(np.arange(len(rows)), [len(own) for own in rows])
    rejected = np.array([label.rejected for _, one in doubts for label in one.labels])

    def loss(point: np.ndarray) -> float:
        none = np.bincount(group, -np.logaddexp(0, point[0] * x + point[1]), len(rejected))
        penalty = ((point - [1, 0]) ** 2 / [0.02, 0.125]).sum()
        return float(penalty - verdict_log_likelihood(rejected, none, label_noise).sum())

    found = minimize(loss, np.array([1.0, 0.0]), method="Nelder-Mead").x
    return float(found[0]), float(found[1])


def verdict_log_likelihood(rejected: np.ndarray | float, none: np.ndarray | float, label_noise: float) -> np.ndarray:
    """Return the log-likelihood of labels, ``none`` being the log-probability that there was nothing to reject."""
    fine = np.exp(none)
    some = np.log(np.clip(label_noise + (1 - 2 * label_noise) * (1 - fine), LEAST, 1))
    return np.asarray(
        rejected * some + (1 - rejected) * np.log(np.clip(label_noise + (1 - 2 * label_noise) * fine, LEAST, 1))
    )


def log_loss(model: LearnedDoubt, sessions: Sequence[VerdictExamples], label_noise: float) -> list[float]:
    """Return the mean log loss of the labels of each session, whatever the reason named."""
    losses = []
    for one in sessions:
        bad = np.clip(model.probabilities(one.features, one.relative)[1].sum(axis=1), LEAST, 1 - LEAST)
        own = []
        for label, rows in zip(one.labels, one.rows, strict=True):
            none = float(np.log1p(-bad[rows]).sum())
            own.append(-float(verdict_log_likelihood(label.rejected, none, label_noise)))
        losses.append(float(np.mean(own)) if own else np.nan)
    return losses
