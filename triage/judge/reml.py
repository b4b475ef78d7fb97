"""Variance components: how much each factor moves a value, by restricted maximum likelihood (REML).

In: values y [shape=(n,)], fixed columns x [shape=(n, p)], one block of columns a random factor [shape=(n, q_f)]. Out:
one variance a factor and one for the rest, their information, and what the factors did in the notes at hand. The
model is y = x b + sum_f Z_f u_f + e with u_f ~ N(0, v_f I), e ~ N(0, v_e I). All work is done on q x q matrices.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_solve, solve_triangular

from triage.domain.errors import JudgeError

ROUNDS = 100  # of Fisher scoring; it takes 5 to 20
CONVERGED = 1e-6  # change of the log-likelihood: far below the precision of the data
LEAST_REST = 1e-10  # of the total variance: the rest is never quite nothing


@dataclass(frozen=True)
class Design:
    """The data with the fixed columns projected out by M: Z'MZ, Z'My, y'My."""

    zz: np.ndarray  # (q, q)
    zy: np.ndarray  # (q,)
    yy: float
    block: np.ndarray  # (q,) which factor a column belongs to
    factors: int
    n: int
    free: int  # n less the rank of x


@dataclass(frozen=True)
class Fit:
    """The estimates: ``variances`` has one a factor and the rest's last, in the unit of y squared."""

    variances: np.ndarray
    covariance: np.ndarray  # of the variances, from the expected information
    log_likelihood: float
    effects: np.ndarray  # (q,) best linear unbiased predictions


def prepare(y: np.ndarray, x: np.ndarray, blocks: Sequence[np.ndarray]) -> Design:
    """Return the design: values and random columns with the fixed ones projected out.

    Parameters
    ----------
    y : ndarray, shape (n,)
        Finite.
    x : ndarray, shape (n, p)
        Fixed columns; collinear ones do no harm.
    blocks : sequence of ndarray, shape (n, q_f)

    Returns
    -------
    Design

    Raises
    ------
    JudgeError
        If a value is not finite, shapes differ, or no value is left beside the fixed columns.
    """
    y = np.asarray(y, dtype=float)
    if not np.isfinite(y).all() or len({len(y), len(x), *map(len, blocks)}) > 1:
        raise JudgeError(f"{len(y)} values must be finite, with a row of x and of every block for each of them")
    y = y - y.mean() if len(y) else y  # leading digits that all share would cost precision
    left, size, _ = np.linalg.svd(x, full_matrices=False)
    base = left[:, size > 1e-10 * max(size.max(initial=0.0), 1e-300)]
    free = len(y) - base.shape[1]
    if free < 1:
        raise JudgeError(f"{len(y)} values for {base.shape[1]} fixed columns; more values than columns are needed")
    z = np.column_stack([*blocks, np.zeros((len(y), 0))])
    y, z = y - base @ (base.T @ y), z - base @ (base.T @ z)
    block = np.repeat(np.arange(len(blocks)), [b.shape[1] for b in blocks])
    return Design(z.T @ z, z.T @ y, float(y @ y), block, len(blocks), len(y), free)


def fit(design: Design, start: np.ndarray | None = None) -> Fit:
    """Return the REML estimates by Fisher scoring with halved steps; variances never go below 0.

    l(v) = -1/2 (log |V| + log |x' V^-1 x| + y'Py) on the n - p error contrasts; score_f = -1/2 (tr PV_f - y'PV_fPy),
    information_fg = 1/2 tr(PV_fPV_g). In a balanced one-way layout this is the analysis-of-variance estimator
    wherever that is not negative.

    Parameters
    ----------
    design : Design
    start : ndarray, shape (factors + 1,), optional
        Variances to begin from, such as those of nearly the same notes.

    Returns
    -------
    Fit

    References
    ----------
    Patterson and Thompson, Biometrika 58, 1971; Searle, Casella and McCulloch, Variance Components, 1992, chapter 6.
    """
    total = design.yy / design.free
    if total <= 0:
        nothing = np.zeros(design.factors + 1)
        return Fit(nothing, np.zeros((len(nothing),) * 2), float("inf"), np.zeros(len(design.zy)))
    width = np.bincount(design.block, np.diag(design.zz), design.factors) / design.n
    v = np.append(total / (design.factors + 1) / np.maximum(width, 1e-12), total / (design.factors + 1))
    if start is not None and len(start) == len(v):
        v = np.maximum(start, np.append(0.01 * v[:-1], LEAST_REST * total))  # from 0 there is no way up
    level, score, information = _climb(design, v)
    for _ in range(ROUNDS):
        step = _step(v, score, information)
        new, gain = _halved(design, v, step, level, total)
        v = new
        if gain <= CONVERGED:
            break
        level, score, information = _climb(design, v)
    effects = v[:-1][design.block] * _solved(design, v)[1]
    return Fit(v, np.linalg.pinv(information), level, effects)


def cholesky(design: Design, variances: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return scale s = sqrt(v_f / v_e) of each column and the lower factor of B = I + s Z'MZ s.

    Given the variances, u is normal about s B^-1 s Z'My with covariance v_e s B^-1 s.

    Parameters
    ----------
    design : Design
    variances : ndarray, shape (factors + 1,)

    Returns
    -------
    s : ndarray, shape (q,)
    lower : ndarray, shape (q, q)
    """
    s = np.sqrt(variances[:-1] / variances[-1])[design.block]
    return s, np.linalg.cholesky(np.eye(len(s)) + s[:, None] * design.zz * s)


def draw(design: Design, variances: np.ndarray, rng: np.random.Generator, count: int = 1) -> np.ndarray:
    """Return draws of all effects as they may have been, given the values and the variances.

    Parameters
    ----------
    design : Design
    variances : ndarray, shape (factors + 1,)
    rng : numpy Generator
    count : int
        Of draws.

    Returns
    -------
    ndarray, shape (q, count)
    """
    s, lower = cholesky(design, variances)
    mean = solve_triangular(lower, s * design.zy, lower=True)
    noise = np.sqrt(variances[-1]) * rng.standard_normal((len(s), count))
    return s[:, None] * solve_triangular(lower, mean[:, None] + noise, lower=True, trans="T")


def _solved(design: Design, v: np.ndarray) -> tuple[np.ndarray, np.ndarray, float, float]:
    """Return Z'PZ, Z'Py, y'Py and log |B|."""
    s, lower = cholesky(design, v)
    inner = cho_solve((lower, True), s[:, None] * np.column_stack([design.zz, design.zy]))
    right = design.zz * s
    zpz = (design.zz - right @ inner[:, :-1]) / v[-1]
    zpy = (design.zy - right @ inner[:, -1]) / v[-1]
    ypy = (design.yy - (s * design.zy) @ inner[:, -1]) / v[-1]
    return zpz, zpy, float(ypy), float(2 * np.log(np.diag(lower)).sum())


def _likelihood(design: Design, v: np.ndarray) -> float:
    s, lower = cholesky(design, v)
    half = solve_triangular(lower, s * design.zy, lower=True)
    rest = (design.yy - half @ half) / v[-1]
    return float(-0.5 * (design.free * np.log(v[-1]) + 2 * np.log(np.diag(lower)).sum() + rest))


def _climb(design: Design, v: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
    """Return the log-likelihood at v, its slope, and the expected information."""
    zpz, zpy, ypy, log_b = _solved(design, v)
    k = design.factors
    belongs = (design.block[:, None] == np.arange(k)).astype(float)  # (q, factor)
    trace = np.append(np.diag(zpz) @ belongs, 0.0)
    pairs = np.zeros((k + 1, k + 1))
    pairs[:k, :k] = belongs.T @ zpz**2 @ belongs
    # P V P = P gives what concerns the rest without any n x n matrix
    trace[k] = (design.free - v[:k] @ trace[:k]) / v[k]
    pairs[:k, k] = pairs[k, :k] = (trace[:k] - pairs[:k, :k] @ v[:k]) / v[k]
    pairs[k, k] = (trace[k] - pairs[k, :k] @ v[:k]) / v[k]
    quadratic = np.append((zpy**2) @ belongs, 0.0)
    quadratic[k] = (ypy - v[:k] @ quadratic[:k]) / v[k]
    level = -0.5 * (design.free * np.log(v[k]) + log_b + ypy)
    return float(level), 0.5 * (quadratic - trace), 0.5 * pairs


def _step(v: np.ndarray, score: np.ndarray, information: np.ndarray) -> np.ndarray:
    """Return the scoring step of the variances that are free to move: above 0, or pushed upward."""
    free = (v > 0) | (score > 0)
    step = np.zeros(len(v))
    step[free] = np.linalg.lstsq(information[np.ix_(free, free)], score[free], rcond=1e-12)[0]
    return step


def _halved(design: Design, v: np.ndarray, step: np.ndarray, level: float, total: float) -> tuple[np.ndarray, float]:
    """Return the furthest of v + step, v + step / 2 ... that climbs, and by how much; v and 0 where none does."""
    floor = np.append(np.zeros(len(v) - 1), LEAST_REST * total)
    for _ in range(30):
        new = np.maximum(v + step, floor)
        gain = _likelihood(design, new) - level
        if gain > 0:
            return new, gain
        step = step / 2
    return v, 0.0
