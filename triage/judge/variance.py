"""Where the spread of a measurement comes from: register, pitch, repetition, take, session, day, set-up, microphone.

In: one measurement of every note of one articulation, on its compared axis, with pitch (MIDI), dynamic and the labels
of the factors. Out: each factor's share of the spread, 0 to 1, with an interval, and what each of its levels does.
Dynamics are meant to differ, so their means are taken out first. A share is about these notes, not about days to
come.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from triage.domain.errors import JudgeError
from triage.judge.factors import PITCH, REGISTER, REST, FactorColumns, UndeterminedFactor, blocks, indicators
from triage.judge.reml import Design, Fit, cholesky, draw, fit, prepare
from triage.judge.robust import mad

LEAST_NOTES = 8
OUTLIER_SIGMAS = 4.0  # such a note is no part of the usual spread
ROUNDS = 10  # of leaving notes or factors out
DRAWS, EACH = 50, 4  # of the variances, and of the effects given each of those
INTERVAL = (0.05, 0.95)


@dataclass(frozen=True)
class Share:
    """One factor's part in the spread; share and interval are NaN where ``why_not`` says why they are unknown."""

    factor: str
    levels: int
    variance: float  # REML estimate, unit of the values squared
    share: float
    low: float
    high: float
    effects: tuple[tuple[str, float], ...] = ()  # level and how far its notes lie off, unit of the values
    why_not: str = ""


@dataclass(frozen=True)
class Spread:
    """All shares, the rest last; those that can be determined add up to 1."""

    shares: tuple[Share, ...]
    sigma: float  # of all kept notes within their dynamic, unit of the values
    notes: int
    outliers: np.ndarray  # (n,) bool: left out because nothing else explains them
    curve: tuple[tuple[float, float], ...]  # pitch and what the register does there
    why_not: str = ""
    span: tuple[float, float] = (np.nan, np.nan)  # lowest and highest of the kept notes, unit of the values


def spread(
    values: np.ndarray, pitch: np.ndarray, dynamic: np.ndarray, factors: Mapping[str, np.ndarray], seed: int = 0
) -> Spread:
    """Return where the spread of a measurement comes from.

    value = mean of the dynamic + register(pitch) + pitch in that dynamic + sum of factors + rest, all but the first
    random; register is a curve that may bend or break (covariance exp(-semitones / 12)) with half as much freedom for
    each dynamic of its own. Variances by REML. share_f = V_f / sum V, V_f = E(|M Z_f u_f|^2 | values) / n: what the
    factor did in these notes (finite-population variance), M taking the dynamics' means out. Interval: 5 to 95 % of
    200 draws, variances from their normal approximation folded at 0, effects from their exact distribution given
    those. A factor with a level whose effect lies beyond all of its notes (factors that nearly coincide pull each
    other apart) is left out and fitted without: these notes cannot tell it.

    Parameters
    ----------
    values : ndarray, shape (n,)
        On the compared axis (logarithms where ratios matter); NaN is left out, as is a note without pitch.
    pitch : ndarray, shape (n,)
        MIDI.
    dynamic : ndarray of str, shape (n,)
    factors : mapping of str to ndarray of str, shape (n,)
        Labels, the coarsest factor first: where two are confounded the earlier one keeps the share.
    seed : int
        Of the draws.

    Returns
    -------
    Spread
        With ``why_not`` and no shares where there are fewer than 8 notes or all are equal.

    Raises
    ------
    JudgeError
        If the arrays differ in length or a value is infinite.

    References
    ----------
    Searle, Casella and McCulloch, Variance Components, 1992; Gelman, Annals of Statistics 33, 2005 (finite-population
    variances); Rasmussen and Williams, Gaussian Processes, 2006, chapter 4 (covariance).
    """
    values, pitch = np.asarray(values, dtype=float), np.asarray(pitch, dtype=float)
    if len({len(values), len(pitch), len(dynamic), *map(len, factors.values())}) > 1 or np.isinf(values).any():
        raise JudgeError("values must be finite or NaN, with a pitch, a dynamic and a label of every factor for each")
    use = np.isfinite(values) & np.isfinite(pitch)
    outliers, before = np.zeros(len(values), dtype=bool), None
    if use.sum() < LEAST_NOTES:
        return Spread((), np.nan, int(use.sum()), outliers, (), f"only {use.sum()} notes")
    if np.ptp(values[use]) == 0:
        return Spread((), 0.0, int(use.sum()), outliers, (), "all notes are equal")
    apart: list[UndeterminedFactor] = []  # that these notes cannot tell from others
    for last in (*[False] * ROUNDS, True):  # the worst notes first: they pull others away with them
        kept = use & ~outliers
        told = {name: of[kept] for name, of in factors.items() if name not in [one.factor for one in apart]}
        determined, undetermined = blocks(pitch[kept], dynamic[kept], told)
        design = prepare(values[kept], indicators(dynamic[kept]), [block.columns for block in determined])
        found = fit(design, before)
        before = found.variances
        if impossible := _impossible(design, found, determined, values[kept], dynamic[kept]):
            apart, before = [*apart, impossible], None
            continue
        rest = _residual(values[kept], dynamic[kept], determined, found)
        size = np.abs(rest)
        bad = size > max(OUTLIER_SIGMAS * mad(rest, 0.0), size.max() / 2, 1e-12)
        if last or not bad.any() or kept.sum() - bad.sum() < LEAST_NOTES:
            break
        outliers[np.flatnonzero(kept)[bad]] = True
    shares = _shares(design, found, determined, seed)
    sigma = float(np.sqrt(design.yy / design.free))
    curve = _curve(determined, found, design, pitch[kept])
    return Spread(
        (*shares[:-1], *map(_undetermined, (*apart, *undetermined)), shares[-1]),
        sigma,
        int(kept.sum()),
        outliers,
        curve,
        span=(float(values[kept].min()), float(values[kept].max())),
    )


def _impossible(
    design: Design, found: Fit, determined: list[FactorColumns], values: np.ndarray, dynamic: np.ndarray
) -> UndeterminedFactor | None:
    """Return a factor with an effect that lies beyond all notes of its level; None where every effect can be."""
    away = values.copy()
    for word in np.unique(dynamic):
        away[dynamic == word] -= np.median(values[dynamic == word])
    slack = float(np.sqrt(design.yy / design.free))
    for f, block in enumerate(determined):
        if block.factor in (REGISTER, PITCH):
            continue
        levels, effects = _effects(block, found.effects[design.block == f])
        for level, effect in effects:
            mine = away[block.labels == level]
            if not min(0.0, mine.min()) - slack <= effect <= max(0.0, mine.max()) + slack:
                return UndeterminedFactor(block.factor, levels, "it cannot be told from the others in these notes")
    return None


def _undetermined(factor: UndeterminedFactor) -> Share:
    return Share(factor.factor, factor.levels, np.nan, np.nan, np.nan, np.nan, (), factor.why)


def _residual(values: np.ndarray, dynamic: np.ndarray, determined: list[FactorColumns], found: Fit) -> np.ndarray:
    left = values - np.column_stack([b.columns for b in determined]) @ found.effects if determined else values
    for word in np.unique(dynamic):
        left = np.where(dynamic == word, left - np.median(left[dynamic == word]), left)
    return left


def _shares(design: Design, found: Fit, determined: list[FactorColumns], seed: int) -> list[Share]:
    """Return the shares of all factors that can be determined, and of the rest."""
    part = _expected(design, found)
    sampled = _sampled(design, found, np.random.default_rng(seed))
    total = max(part.sum(), 1e-300)
    shares = part / total
    low, high = np.quantile(sampled / np.maximum(sampled.sum(axis=1, keepdims=True), 1e-300), INTERVAL, axis=0)
    low, high = np.minimum(low, shares), np.maximum(high, shares)
    result = []
    for f, block in enumerate(determined):
        levels, effects = _effects(block, found.effects[design.block == f])
        result.append(
            Share(
                block.factor,
                levels,
                float(found.variances[f]),
                float(shares[f]),
                float(low[f]),
                float(high[f]),
                effects,
            )
        )
    rest = Share(REST, design.n, float(found.variances[-1]), float(shares[-1]), float(low[-1]), float(high[-1]))
    return [*result, rest]


def _expected(design: Design, found: Fit) -> np.ndarray:
    """Return what each factor, and the rest, did in these notes: mean square given the values and the variances."""
    s, lower = cholesky(design, found.variances)
    half = np.linalg.solve(lower, np.diag(s))
    covariance = found.variances[-1] * half.T @ half
    u, parts = found.effects, []
    for f in range(design.factors):
        mine = design.block == f
        inner = design.zz[np.ix_(mine, mine)]
        parts.append(u[mine] @ inner @ u[mine] + (inner * covariance[np.ix_(mine, mine)]).sum())
    rest = design.yy - 2 * u @ design.zy + u @ design.zz @ u + (design.zz * covariance).sum()
    return np.array([*parts, rest]) / design.n


def _sampled(design: Design, found: Fit, rng: np.random.Generator) -> np.ndarray:
    """Return the same for draws of what may have been [shape=(draw, factor + 1)]."""
    size, turn = np.linalg.eigh(found.covariance)
    root = turn * np.sqrt(np.maximum(size, 0.0))
    rows = []
    for _ in range(DRAWS):
        v = np.abs(found.variances + root @ rng.standard_normal(len(size)))
        v[-1] = max(v[-1], 1e-3 * found.variances[-1], 1e-300)
        u = draw(design, v, rng, EACH)
        parts = []
        for f in range(design.factors):
            mine = design.block == f
            parts.append((u[mine] * (design.zz[np.ix_(mine, mine)] @ u[mine])).sum(axis=0))
        rest = design.yy - 2 * design.zy @ u + (u * (design.zz @ u)).sum(axis=0)
        rows.append(np.array([*parts, rest]).T)
    return np.concatenate(rows) / design.n


def _effects(block: FactorColumns, u: np.ndarray) -> tuple[int, tuple[tuple[str, float], ...]]:
    """Return the number of a factor's levels and how far each lies off the mean over all notes."""
    levels, place = np.unique(block.labels, return_inverse=True)
    each = block.columns @ u
    mean = np.bincount(place, each) / np.bincount(place) - each.mean()
    return len(levels), tuple((str(level), float(value)) for level, value in zip(levels, mean, strict=True))


def _curve(
    determined: list[FactorColumns], found: Fit, design: Design, pitch: np.ndarray
) -> tuple[tuple[float, float], ...]:
    if not determined or determined[0].factor != REGISTER:
        return ()
    each = determined[0].columns @ found.effects[design.block == 0]
    tones, place = np.unique(pitch, return_inverse=True)
    mean = np.bincount(place, each) / np.bincount(place) - each.mean()
    return tuple((float(tone), float(value)) for tone, value in zip(tones, mean, strict=True))
