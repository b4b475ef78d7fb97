"""Candidates: ways to learn from verdicts, the simplest first, all of them moving the shipped doubt.

Each starts as the shipped doubt and is held to it by a Gaussian prior, so that few verdicts move it little and many
take over (maximum a posteriori). A word about a whole take is learnt as what it says: 1 - prod(1 - p) over its notes
was a reject, or prod(1 - p) was none (multiple-instance likelihood). Anybody's key slips now and then: with a share
e of slips a reject is said with probability e + (1 - 2 e) times that of one, so that no single word can pull far and
the doubt is of what people mean.

weights  the weights of the features, still never negative
linear   and a linear term of the note's relative vector
head     and a small hidden layer over vector and features
trees    gradient boosting over features, vector and the doubt, mixed in by how many rejects there are
"""

from collections.abc import Sequence
from typing import Any

import numpy as np
import torch
from scipy.optimize import minimize
from sklearn.ensemble import HistGradientBoostingClassifier

from training.verdict_examples import VerdictExamples
from training.verdict_rows import Bags, bags_of, basis_of, thinned
from triage.config import Strict
from triage.judge.doubt import FINE, DoubtModel
from triage.judge.features import kind_of_column
from triage.judge.learned_doubt import LEAST, LearnedDoubt

LEVELS = 64
LEAST_SCALE = 0.5  # sigmas: the least size that an features is reckoned to have
CANDIDATES = ("weights", "linear", "trees", "head")  # in order of simplicity


class FitConfig(Strict):
    """How tightly the shipped doubt leads; each is a standard deviation of the prior, in units of its input."""

    weight: float
    offset: float
    slope: float
    hidden: float
    units: int
    components: int
    trees_half: float  # rejects at which trees and the rest count the same
    rows: int  # notes that a fit looks at; of more it takes a weighted sample
    slips: float  # share of the words that were not meant
    seed: int


def learn(
    form: str, shipped: DoubtModel, sessions: Sequence[VerdictExamples], config: FitConfig, encoder: str
) -> LearnedDoubt:
    """Fit one candidate on the words of some sessions; nothing else of other sessions is looked at."""
    kinds = [str(kind) for kind in shipped.classifier.classes_ if kind != FINE]
    order = [list(shipped.classifier.classes_).index(kind) for kind in (FINE, *kinds)]
    coefficients, intercepts = shipped.classifier.coef_[order], shipped.classifier.intercept_[order]
    coefficients, intercepts = coefficients - coefficients[0], intercepts - intercepts[0]
    basis, spread = basis_of(sessions, config.components)
    bags = thinned(bags_of(sessions, kinds, basis, spread), config.rows, config.seed)
    every = np.concatenate([one.features.matrix for one in sessions])
    # What is rarely there is not learnt the faster for that.
    scale = np.maximum(np.sqrt((every**2).mean(axis=0)), LEAST_SCALE)
    silent = np.array([[kind_of_column(name) not in (None, kind) for name in shipped.names] for kind in kinds])
    fitted = _fitted(form, (coefficients, intercepts), bags, scale, config, kinds, silent)
    weights, offsets, shift = fitted
    return LearnedDoubt(
        "", shipped.names, encoder, (FINE, *kinds), weights, offsets, shipped.certain, basis, spread, shift
    )


def _fitted(
    form: str,
    prior: tuple[np.ndarray, np.ndarray],
    bags: Bags,
    scale: np.ndarray,
    config: FitConfig,
    kinds: Sequence[str],
    silent: np.ndarray,
) -> tuple[np.ndarray, np.ndarray, dict[str, Any]]:
    coefficients, intercepts = prior
    noise = [kind == "noise" for kind in kinds]
    if not len(bags.rejected):
        return coefficients, intercepts, {"form": "none"}
    weights, offsets, shift = _maximum(form, coefficients * scale, intercepts, bags, scale, config, noise, silent)
    weights = weights / scale
    if form == "trees":
        shift = _trees(bags, weights, offsets, config, noise)
    return weights, offsets, shift


def _maximum(
    form: str,
    prior: np.ndarray,
    intercepts: np.ndarray,
    bags: Bags,
    scale: np.ndarray,
    config: FitConfig,
    noise: list[bool],
    still: np.ndarray,
) -> tuple[np.ndarray, np.ndarray, dict[str, Any]]:
    """Return the most probable weights, offsets and shift; L-BFGS-B keeps the weights from being negative.

    Evidence that speaks for one kind stays ``still`` on the others, as the shipped doubt has it.
    """
    parts = _starts(form, prior, intercepts, bags, config)
    flat = np.concatenate([start.ravel() for start, _, _ in parts.values()])
    bounds = [bound for start, _, least in parts.values() for bound in [(least, None)] * start.size]
    for one in np.flatnonzero(still).tolist():  # the weights come first
        bounds[one] = (flat[one], flat[one])
    arrays = (bags.matrix / scale, bags.components, bags.bag, bags.rejected, bags.weight)
    tensors = [torch.from_numpy(array) for array in arrays]
    kind, silent = torch.from_numpy(bags.kind), torch.tensor(noise)

    def loss(values: np.ndarray) -> tuple[float, np.ndarray]:
        point = torch.from_numpy(values).requires_grad_()
        own, at = {}, 0
        held = torch.zeros((), dtype=torch.float64)
        for name, (start, sigma, _) in parts.items():
            own[name] = point[at : at + start.size].reshape(start.shape)
            centre = torch.from_numpy(start) if name in ("weights", "offsets") else torch.zeros(start.shape)
            held = held + (((own[name] - centre) / sigma) ** 2).sum() / 2
            at += start.size
        total = held - _log_likelihood(own, tensors, kind, silent, config.slips)
        return float(total.detach()), torch.autograd.grad(total, point)[0].numpy().copy()

    found = minimize(loss, flat, jac=True, method="L-BFGS-B", bounds=bounds, options={"maxiter": 300, "ftol": 1e-7}).x
    own, at = {}, 0
    for name, (start, _, _) in parts.items():
        own[name] = found[at : at + start.size].reshape(start.shape)
        at += start.size
    shift: dict[str, Any] = {"form": "none"}
    if form == "linear":
        shift = {"form": "linear", "slopes": own["slopes"]}
    elif form == "head":
        shift = {"form": "head", "scale": scale, **{name: own[name] for name in ("w1", "b1", "w2")}}
    zero = np.zeros((1, prior.shape[1]))
    return np.concatenate([zero, own["weights"]]), np.concatenate([[0.0], own["offsets"]]), shift


def _starts(
    form: str, prior: np.ndarray, intercepts: np.ndarray, bags: Bags, config: FitConfig
) -> dict[str, tuple[np.ndarray, float, float | None]]:
    """Return each part's start, the prior's standard deviation, and the least value it may take."""
    parts: dict[str, tuple[np.ndarray, float, float | None]] = {
        "weights": (prior[1:].copy(), config.weight, 0.0),
        "offsets": (intercepts[1:].copy(), config.offset, None),
    }
    width = bags.components.shape[1]
    if form == "linear":
        parts["slopes"] = (np.zeros(width), config.slope, None)
    if form == "head":
        rng = np.random.default_rng(config.seed)
        inputs = width + bags.matrix.shape[1]
        parts["w1"] = (rng.normal(0, 0.5 / np.sqrt(inputs), (inputs, config.units)), config.hidden, None)
        parts["b1"] = (np.zeros(config.units), 1.0, None)
        parts["w2"] = (np.zeros(config.units) + 1e-3, config.slope, None)
    return parts


def _log_likelihood(
    own: dict[str, torch.Tensor],
    tensors: Sequence[torch.Tensor],
    kind: torch.Tensor,
    noise: torch.Tensor,
    slips: float,
) -> torch.Tensor:
    """Return sum over words of r log s(1 - prod(1 - p_kind)) + (1 - r) log s(prod p_fine); s(p) = e + (1 - 2e) p."""
    matrix, components, bag, rejected, weight = tensors
    score = matrix @ own["weights"].T + own["offsets"]
    log_p = torch.log_softmax(torch.cat([torch.zeros(len(score), 1, dtype=score.dtype), score], 1), 1)
    each, fine = log_p[:, 1:].exp(), log_p[:, 0].exp()
    if "slopes" in own or "w1" in own:
        each, fine = _moved(own, matrix, components, each, noise)
    of_kind = kind[bag]
    named = each.gather(1, of_kind.clamp(min=0)[:, None])[:, 0]
    bad = torch.where(of_kind < 0, each.sum(1), named).clamp(max=1 - LEAST)
    count = len(rejected)
    none_bad = torch.zeros(count, dtype=bad.dtype).index_add(0, bag, torch.log1p(-bad))
    all_fine = torch.zeros(count, dtype=bad.dtype).index_add(0, bag, fine.clamp(min=LEAST).log())
    some_bad = torch.log((slips + (1 - 2 * slips) * (1 - none_bad.exp())).clamp(min=LEAST))
    all_fine = torch.log((slips + (1 - 2 * slips) * all_fine.exp()).clamp(min=LEAST))
    return (weight * (rejected * some_bad + (1 - rejected) * all_fine)).sum()


def _moved(
    own: dict[str, torch.Tensor],
    matrix: torch.Tensor,
    components: torch.Tensor,
    each: torch.Tensor,
    noise: torch.Tensor,
) -> tuple[torch.Tensor, torch.Tensor]:
    """Return the kinds and what is fine after the shift, as ``learned.moved_kinds`` computes them."""
    delta = (
        components @ own["slopes"]
        if "slopes" in own
        else (torch.tanh(torch.cat([components, matrix], 1) @ own["w1"] + own["b1"]) @ own["w2"])
    )
    bad = each[:, ~noise].sum(1).clamp(LEAST, 1 - LEAST)
    quiet = torch.maximum(1 - each[:, noise].sum(1), bad + LEAST)
    now = quiet * torch.sigmoid(torch.log(bad / (quiet - bad)) + delta)
    each = torch.where(noise[None, :], each, each * (now / bad)[:, None])
    return each, (quiet - now).clamp(min=LEAST)


def _trees(
    bags: Bags, weights: np.ndarray, offsets: np.ndarray, config: FitConfig, noise: list[bool]
) -> dict[str, Any]:
    """Return gradient boosting over the rows; a bad take's reject is shared out by how doubtful each note was."""
    score = bags.matrix @ weights.T + offsets
    each = np.exp(score - np.logaddexp.reduce(score, axis=1)[:, None])[:, 1:]
    played = each[:, ~np.array(noise)].sum(axis=1).clip(LEAST, 1 - LEAST)
    odds = np.log(played / np.clip(1 - each.sum(axis=1), LEAST, None))
    about_noise = (bags.kind >= 0) & np.array(noise)[np.clip(bags.kind, 0, None)]
    some = 1 - np.exp(np.bincount(bags.bag, np.log1p(-played), len(bags.rejected)))
    share = bags.rejected[bags.bag] * np.clip(played / np.clip(some[bags.bag], LEAST, None), 0, 1)
    use = ~(about_noise[bags.bag] & (bags.rejected[bags.bag] > 0))  # a noise says nothing of the playing
    rejects = float((bags.weight * bags.rejected)[~about_noise].sum())
    if rejects < 2 or use.sum() < 20 or (share[use] < 0.5).sum() < 2:
        return {"form": "none"}
    inputs, weight = np.column_stack([bags.matrix, bags.components, odds])[use], bags.weight[bags.bag][use]
    trees = HistGradientBoostingClassifier(
        max_iter=60,
        learning_rate=0.1,
        max_leaf_nodes=8,
        min_samples_leaf=10,
        l2_regularization=5.0,
        early_stopping=False,
        random_state=config.seed,
    )
    bad, fine = share[use] > 0, share[use] < 1  # a row that may be either counts as both, in parts
    truth = np.repeat([1, 0], [bad.sum(), fine.sum()])
    parts = np.concatenate([(weight * share[use])[bad], (weight * (1 - share[use]))[fine]])
    coarse = _levelled(inputs)
    trees.fit(np.concatenate([coarse[bad], coarse[fine]]), truth, sample_weight=parts)
    return {"form": "trees", "trees": trees, "share": rejects / (rejects + config.trees_half)}


def _levelled(inputs: np.ndarray) -> np.ndarray:
    """Return each column brought down to the nearest of LEVELS of its quantiles.

    The trees' splits lie at quantiles anyway; finding them among weighted values takes scikit-learn ten times as long
    as growing the trees.
    """
    out = inputs.copy()
    for column in out.T:
        levels = np.unique(np.quantile(column, np.linspace(0, 1, LEVELS), method="lower"))
        column[:] = levels[np.searchsorted(levels, column, side="right") - 1]
    return out


def calibrate(held_out: Sequence[tuple[LearnedDoubt, VerdictExamples]], slips: float) -> tuple[float, float]:
    """Return slope and level that calibrate a candidate, from what it said of sessions that it did not learn from.

    Platt's two numbers by the same likelihood of words, with a prior at slope 1 and level 0 (0.1 and 0.25 wide: a
    slope puts takes in another order, for one loud note and many quiet ones add up otherwise).
    """
    doubts = [(one.probabilities(own.features, own.relative)[1].sum(axis=1), own) for one, own in held_out]
    log_odds = [np.log(np.clip(p, LEAST, 1 - LEAST) / (1 - np.clip(p, LEAST, 1 - LEAST))) for p, _ in doubts]
    rows = [odds[own] for odds, (_, one) in zip(log_odds, doubts, strict=True) for own in one.rows]
    if not rows:
        return 1.0, 0.0
    x, bag = np.concatenate(rows), np.repeat(np.arange(len(rows)), [len(own) for own in rows])
    rejected = np.array([word.rejected for _, one in doubts for word in one.words])

    def loss(point: np.ndarray) -> float:
        none = np.bincount(bag, -np.logaddexp(0, point[0] * x + point[1]), len(rejected))
        held = ((point - [1, 0]) ** 2 / [0.02, 0.125]).sum()
        return float(held - said_log_likelihood(rejected, none, slips).sum())

    found = minimize(loss, np.array([1.0, 0.0]), method="Nelder-Mead").x
    return float(found[0]), float(found[1])


def said_log_likelihood(rejected: np.ndarray | float, none: np.ndarray | float, slips: float) -> np.ndarray:
    """Return the log-likelihood of words, ``none`` being the log-probability that there was nothing to reject."""
    fine = np.exp(none)
    some = np.log(np.clip(slips + (1 - 2 * slips) * (1 - fine), LEAST, 1))
    return np.asarray(rejected * some + (1 - rejected) * np.log(np.clip(slips + (1 - 2 * slips) * fine, LEAST, 1)))


def log_loss(model: LearnedDoubt, sessions: Sequence[VerdictExamples], slips: float) -> list[float]:
    """Return the mean log loss of the words of each session, whatever the reason named."""
    losses = []
    for one in sessions:
        bad = np.clip(model.probabilities(one.features, one.relative)[1].sum(axis=1), LEAST, 1 - LEAST)
        own = []
        for word, rows in zip(one.words, one.rows, strict=True):
            none = float(np.log1p(-bad[rows]).sum())
            own.append(-float(said_log_likelihood(word.rejected, none, slips)))
        losses.append(float(np.mean(own)) if own else np.nan)
    return losses
