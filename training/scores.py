"""How good a ranking is, for review by people: every measure takes what was wrong and how doubtful it was.

``rejected`` is 1 where a take (or note) ought to be found, ``doubt`` is higher where it should be heard
sooner; both have shape (item,). Equal doubts keep the order in which they came, as a queue does, except in
AUROC and average precision, where scikit-learn shares the places out.
"""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from sklearn import metrics

from triage.domain.errors import JudgeError

Array = npt.NDArray[np.float64]


def auroc(rejected: npt.ArrayLike, doubt: npt.ArrayLike) -> float:
    """Return the probability that a reject ranks above a good one (0.5 = random order)."""
    found, doubts = _checked(rejected, doubt)
    return float("nan") if found.all() else float(metrics.roc_auc_score(found, doubts))


def average_precision(rejected: npt.ArrayLike, doubt: npt.ArrayLike) -> float:
    """Return the mean over rejects of the share of rejects at or above each one's place."""
    found, doubts = _checked(rejected, doubt)
    return float(metrics.average_precision_score(found, doubts))


def work_saved(rejected: npt.ArrayLike, doubt: npt.ArrayLike, recall: float = 0.95) -> float:
    """Return work saved over sampling: the share not yet heard when ``recall`` is reached, less 1 - recall.

    Cohen et al., Journal of the American Medical Informatics Association 13, 2006. Random order gives 0.
    """
    found = _in_order(rejected, doubt)
    needed = int(np.ceil(recall * found.sum() - 1e-9))
    heard = int(np.searchsorted(np.cumsum(found), needed)) + 1
    return 1 - heard / len(found) - (1 - recall)


def brier(rejected: npt.ArrayLike, doubt: npt.ArrayLike) -> float:
    """Return the mean squared distance of the doubts from what was true, 0 the best (Brier, 1950)."""
    return float(np.mean((np.asarray(doubt, float) - np.asarray(rejected, float)) ** 2))


def calibration_error(rejected: npt.ArrayLike, doubt: npt.ArrayLike, bins: int = 10) -> float:
    """Return the expected calibration error: sum_b n_b / n |mean doubt - share rejected| over bins of equal width.

    Naeini, Cooper and Hauskrecht, AAAI 2015.
    """
    said, true = np.asarray(doubt, float), np.asarray(rejected, float)
    bin_ = np.minimum((said * bins).astype(int), bins - 1)
    parts = [bin_ == b for b in np.unique(bin_)]
    return float(sum(part.mean() * abs(said[part].mean() - true[part].mean()) for part in parts))


def recall_at(rejected: npt.ArrayLike, doubt: npt.ArrayLike, share: float) -> float:
    """Return the share of rejects among the first ``share`` of the items."""
    found = _in_order(rejected, doubt)
    return float(found[: round(share * len(found))].sum() / found.sum())


def recall_at_listening(rejected: npt.ArrayLike, doubt: npt.ArrayLike, minutes: npt.ArrayLike, share: float) -> float:
    """Return the share of rejects heard to their end within ``share`` of all minutes, in ranked order."""
    found, length = _in_order(rejected, doubt), _lengths(minutes, doubt)
    budget = share * length.sum() * (1 + 1e-9)
    return float(found[np.cumsum(length) <= budget].sum() / found.sum())


def time_to_discovery(rejected: npt.ArrayLike, doubt: npt.ArrayLike, minutes: npt.ArrayLike | None = None) -> float:
    """Return the mean over rejects of rank / N; with ``minutes``, of minutes heard / all minutes."""
    found = _in_order(rejected, doubt)
    length = np.ones(len(found)) if minutes is None else _lengths(minutes, doubt)
    return float((np.cumsum(length) / length.sum())[found].mean())


def mean_place(kinds: Sequence[str | None], doubt: npt.ArrayLike) -> dict[str, float]:
    """Return for every kind of fault the mean of rank / N of the items that have it (None = good)."""
    order = _order(np.asarray(doubt, dtype=np.float64))
    place = np.empty(len(order))
    place[order] = np.arange(1, len(order) + 1) / len(order)
    names = sorted({kind for kind in kinds if kind is not None})
    return {name: float(np.mean([p for p, kind in zip(place, kinds, strict=True) if kind == name])) for name in names}


def all_scores(rejected: npt.ArrayLike, doubt: npt.ArrayLike, minutes: npt.ArrayLike) -> dict[str, float]:
    """Return every measure by its name, for a table or a tracked run."""
    return {
        "auroc": auroc(rejected, doubt),
        "average_precision": average_precision(rejected, doubt),
        "wss_95": work_saved(rejected, doubt),
        "recall_10_minutes": recall_at_listening(rejected, doubt, minutes, 0.1),
        "recall_30_minutes": recall_at_listening(rejected, doubt, minutes, 0.3),
        "recall_20": recall_at(rejected, doubt, 0.2),
        "discovery": time_to_discovery(rejected, doubt),
        "discovery_minutes": time_to_discovery(rejected, doubt, minutes),
    }


def _checked(rejected: npt.ArrayLike, doubt: npt.ArrayLike) -> tuple[npt.NDArray[np.bool_], Array]:
    found, doubts = np.asarray(rejected, dtype=bool), np.asarray(doubt, dtype=np.float64)
    if found.shape != doubts.shape or found.ndim != 1:
        raise JudgeError(f"rejected {found.shape} and doubt {doubts.shape} must be two lists of one length")
    if not np.isfinite(doubts).all():
        raise JudgeError(f"doubt must be finite, {int((~np.isfinite(doubts)).sum())} are not (unjudged takes?)")
    if not found.any():
        raise JudgeError(f"none of {len(found)} items is a reject; a ranking cannot be scored without one")
    return found, doubts


def _order(doubt: Array) -> npt.NDArray[np.intp]:
    return np.argsort(-doubt, kind="stable")


def _in_order(rejected: npt.ArrayLike, doubt: npt.ArrayLike) -> npt.NDArray[np.bool_]:
    found, doubts = _checked(rejected, doubt)
    return found[_order(doubts)]


def _lengths(minutes: npt.ArrayLike, doubt: npt.ArrayLike) -> Array:
    """Return the items' lengths in ranked order."""
    length, doubts = np.asarray(minutes, dtype=np.float64), np.asarray(doubt, dtype=np.float64)
    if length.shape != doubts.shape or not (length > 0).all():
        raise JudgeError(f"minutes {length.shape} must be {doubts.shape} lengths above 0 (did you pass ranks?)")
    return length[_order(doubts)]
