"""A taste fitted to verdicts: the most probable tolerances, starting from those of the house.

Labels and the house's doubts go in, a ``Taste`` comes out (maximum a posteriori). The prior is hierarchical, from the
house's tolerance of a kind to the producer's, to that in one articulation and of one instrument: what few verdicts
show of one articulation moves the producer's tolerance first. It is wide at its ends (Student's t), because
somebody who does not mind a kind at all is not rare.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import torch
from scipy.optimize import minimize

from training.verdict_examples import ANY, Label, VerdictExamples
from triage.config import Strict
from triage.judge.taste import LEAST, MOST, SIZED, STEEPNESS, Evidence, Taste, evidence

COARSE = (-0.8, 0.8, 1.6, 2.4)  # log tolerances of a kind that are tried first


class TasteConfig(Strict):
    """Scales of the prior, in natural logarithms of a tolerance, and more."""

    kind: float
    overall: float  # of all kinds alike
    articulation: float
    instrument: float
    direction: float
    degrees: float  # of freedom of Student's t, for kinds: the fewer, the wider its ends
    label_noise: float  # share of the verdicts that are errors: no single one has a large influence
    named_noise: float  # the same of the notes and reasons that rejects name


class LabelledNotes(NamedTuple):
    """The labelled notes of all sessions, flat; ``group`` numbers the label that each belongs to."""

    evidence: Evidence  # of the rows
    articulation: np.ndarray  # (row,) index
    instrument: np.ndarray  # (row,) index
    group: np.ndarray  # (row,)
    named: np.ndarray  # (row,) bool: what the label is about, where others of its take stand beside it
    rejected: np.ndarray  # (group,)
    kind: np.ndarray  # (group,) index, -1 for any


@dataclass(frozen=True)
class HouseDoubts:
    """A session's examples, with what the doubt that taste builds on makes of its notes."""

    examples: VerdictExamples
    kinds: tuple[str, ...]
    each: np.ndarray  # (note, kind)


@dataclass(frozen=True)
class FittedTaste:
    """A taste, and the standard deviation of each kind's log tolerance (the curvature of the posterior)."""

    taste: Taste
    sure: dict[str, float]


class _Names(NamedTuple):
    kinds: tuple[str, ...]
    articulations: tuple[str, ...]
    instruments: tuple[str, ...]


def fit_taste(
    sessions: Sequence[HouseDoubts], config: TasteConfig, locked: Mapping[str, float] | None = None
) -> FittedTaste:
    """Return the most probable taste; ``locked`` kinds (log tolerance) stay as they were set."""
    locked = dict(locked or {})
    used = [one for one in sessions if one.examples.labels]
    if not used:
        return FittedTaste(Taste(locked=locked), {})
    names = _names(used)
    rows = _rows(used, names)
    shapes = _shapes(names)
    loss = _loss(rows, config, torch.tensor([locked.get(kind, np.nan) for kind in names.kinds]), shapes)
    start = _start(loss, shapes, len(names.kinds))
    found = minimize(loss, start, jac=True, method="L-BFGS-B", options={"maxiter": 200, "ftol": 1e-8}).x
    return FittedTaste(_taste(_split(found, shapes), names, locked), _sure(found, loss, shapes, names))


def _start(loss, shapes, kinds: int) -> np.ndarray:  # type: ignore[no-untyped-def]
    """Return where to start: the house's taste, but for kinds that a coarse search finds to be far from it.

    Where every verdict contradicts a doubt near 1, each alone looks like a slip, and no slope leads away.
    """
    start = np.zeros(sum(int(np.prod(shape)) for shape in shapes.values()))
    best, first = loss(start)[0], shapes["overall"][0]
    for place in range(first, first + kinds):
        for value in COARSE:
            tried = start.copy()
            tried[place] = value
            if (found := loss(tried)[0]) < best:
                best, start = found, tried
    return start


def _sure(found: np.ndarray, loss, shapes, names: _Names) -> dict[str, float]:  # type: ignore[no-untyped-def]
    first, step, sure = shapes["overall"][0], 0.01, {}
    for place, kind in enumerate(names.kinds, start=first):
        away = np.zeros(len(found))
        away[place] = step
        bend = (loss(found + away)[1][place] - loss(found - away)[1][place]) / (2 * step)
        sure[kind] = float(1 / np.sqrt(max(bend, 1e-3)))
    return sure


def _names(sessions: Sequence[HouseDoubts]) -> _Names:
    tables = [one.examples.table for one in sessions]
    articulations = sorted({str(name) for table in tables for name in np.unique(table.articulation)})
    instruments = sorted({str(name) for table in tables for name in np.unique(table.instrument)})
    return _Names(sessions[0].kinds, tuple(articulations), tuple(instruments))


def _rows(sessions: Sequence[HouseDoubts], names: _Names) -> LabelledNotes:
    found, articulation, instrument, sizes, named = [], [], [], [], []
    labels: list[Label] = []
    for one in sessions:
        groups = list(_beside(one.examples))
        chosen, table = np.concatenate([np.zeros(0, int), *(rows for rows, _ in groups)]), one.examples.table
        own = evidence(one.each, one.kinds, one.examples.features, table)
        found.append([own.odds[chosen], own.side[chosen]])
        articulation.append(np.searchsorted(names.articulations, table.articulation[chosen]))
        instrument.append(np.searchsorted(names.instruments, table.instrument[chosen]))
        sizes += [len(rows) for rows, _ in groups]
        named += [mine for _, mine in groups]
        labels += one.examples.labels
    place = {kind: index for index, kind in enumerate(names.kinds)}
    return LabelledNotes(
        Evidence(*(np.concatenate(parts) for parts in zip(*found, strict=True))),
        np.concatenate(articulation),
        np.concatenate(instrument),
        np.repeat(np.arange(len(labels)), sizes),
        np.concatenate(named),
        np.array([label.rejected for label in labels], float),
        np.array([place.get(label.kind, -1) if label.kind != ANY else -1 for label in labels], int),
    )


def _beside(examples: VerdictExamples) -> Iterator[tuple[np.ndarray, np.ndarray]]:
    """Yield the rows of each label and which of them it is about.

    A note that was rejected was picked out of its take: the notes beside it that nobody judged alone come with it, so
    that what is learnt is why this one, and not that notes are rejected as often as people name some.
    """
    single = {(label.take, label.note) for label in examples.labels if label.note is not None}
    rows_of: dict[str, list[int]] = {}
    for row, take in enumerate(examples.table.take.tolist()):
        rows_of.setdefault(take, []).append(row)
    number = examples.table.number
    for label, own in zip(examples.labels, examples.rows, strict=True):
        rows = own
        if label.note is not None and label.rejected >= 0.5:
            others = [row for row in rows_of[label.take] if (label.take, int(number[row])) not in single]
            rows = np.concatenate([own, np.array(others, int)])
        yield rows, np.arange(len(rows)) < len(own)


def _shapes(names: _Names) -> dict[str, tuple[int, ...]]:
    kinds = len(names.kinds)
    return {
        "overall": (1,),
        "kind": (kinds,),
        "direction": (kinds,),
        "articulation": (len(names.articulations), kinds),
        "instrument": (len(names.instruments), kinds),
    }


def _split(values, shapes: Mapping[str, tuple[int, ...]]):  # type: ignore[no-untyped-def]
    """Return the arrays, or tensors, that lie one after another in ``values``."""
    ends = np.cumsum([int(np.prod(shape)) for shape in shapes.values()]).tolist()
    parts = zip(shapes.items(), [0, *ends], ends, strict=False)
    return {name: values[start:end].reshape(shape) for (name, shape), start, end in parts}


def _loss(rows: LabelledNotes, config: TasteConfig, locked: torch.Tensor, shapes):  # type: ignore[no-untyped-def]
    """Return the function from a point to minus its log posterior, and its gradient; ``locked`` is NaN where free."""
    odds, side = torch.from_numpy(rows.evidence.odds), torch.from_numpy(rows.evidence.side)
    articulation, instrument = torch.from_numpy(rows.articulation), torch.from_numpy(rows.instrument)
    group, rejected = torch.from_numpy(rows.group), torch.from_numpy(rows.rejected)
    kind = torch.from_numpy(rows.kind)[group]
    named, noise, misnamed = torch.from_numpy(rows.named), config.label_noise, config.named_noise

    def log_likelihood(own: dict[str, torch.Tensor]) -> torch.Tensor:
        tolerance = own["overall"] + own["kind"] + own["direction"] * side
        tolerance = tolerance + own["articulation"][articulation] + own["instrument"][instrument]
        tolerance = torch.where(locked.isnan(), tolerance.clamp(-MOST, MOST), locked.nan_to_num())
        score = odds - STEEPNESS * tolerance
        log_p = torch.log_softmax(torch.cat([torch.zeros(len(score), 1, dtype=score.dtype), score], 1), 1)
        each, zeros = log_p[:, 1:].exp(), torch.zeros(len(rejected), dtype=score.dtype)
        fine, bad = zeros.index_add(0, group, log_p[:, 0]).exp(), each.sum(1)
        about = torch.where(kind < 0, bad, each.gather(1, kind.clamp(min=0)[:, None])[:, 0]) * named
        why = zeros.index_add(0, group, about) / zeros.index_add(0, group, bad).clamp(min=LEAST)
        some = torch.log(noise + (1 - 2 * noise) * (1 - fine)) + torch.log(misnamed + (1 - misnamed) * why)
        return (rejected * some + (1 - rejected) * torch.log(noise + (1 - 2 * noise) * fine)).sum()

    def loss(point: np.ndarray) -> tuple[float, np.ndarray]:
        values = torch.from_numpy(point).requires_grad_()
        own = _split(values, shapes)
        penalty = sum(
            ((own[name] / getattr(config, name)) ** 2).sum() / 2
            for name in ("overall", "direction", "articulation", "instrument")
        )
        wide = config.degrees * config.kind**2
        penalty = penalty + (config.degrees + 1) / 2 * torch.log1p(own["kind"] ** 2 / wide).sum()
        total = penalty - log_likelihood(own)
        return float(total.detach()), torch.autograd.grad(total, values)[0].numpy().copy()

    return loss


def _taste(own: Mapping[str, np.ndarray], names: _Names, locked: dict[str, float]) -> Taste:
    free = [(i, kind) for i, kind in enumerate(names.kinds) if kind not in locked]
    articulation = {
        (kind, name): float(own["articulation"][j, i])
        for i, kind in free
        for j, name in enumerate(names.articulations)
    }
    instrument = {
        (kind, name): float(own["instrument"][j, i]) for i, kind in free for j, name in enumerate(names.instruments)
    }
    return Taste(
        {kind: float(own["overall"][0] + own["kind"][i]) for i, kind in free},
        articulation,
        instrument,
        {kind: float(own["direction"][i]) for i, kind in free if kind in SIZED},
        locked,
    )
