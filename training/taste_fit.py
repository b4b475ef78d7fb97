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
from scipy.optimize import minimize
from scipy.sparse import csr_array

from training.verdict_examples import ANY, Label, VerdictExamples
from triage.config import Strict
from triage.judge.taste import EVEN, LARGEST, LEAST, MOST, SIZED, Evidence, Taste, change, evidence

COARSE = (-0.8, 0.5, 1.0, 1.6)  # log tolerances of a kind that are tried first
ENOUGH = 1000  # labels that a start is looked for on
MOST_STEPS = 60  # from there on: of many verdicts each tolerance is known by then to a small part of how sure it is
Shapes = Mapping[str, tuple[int, ...]]


class TasteConfig(Strict):
    """Scales of the prior, in natural logarithms of a tolerance, and more."""

    kind: float
    stricter: float  # of a kind, where the tolerance is less than the house's
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
    held = np.array([locked.get(kind, np.nan) for kind in names.kinds])
    some = _Loss(_thinned(rows), names.kinds, config, held, shapes)
    start = _minimum(some, _start(some, shapes, len(names.kinds)))
    loss = _Loss(rows, names.kinds, config, held, shapes)
    found = start if some.groups == loss.groups else _minimum(loss, start, MOST_STEPS)
    return FittedTaste(_taste(_split(found, shapes), names, locked), _sure(found, loss, shapes, names))


def _minimum(loss: "_Loss", start: np.ndarray, steps: int = 200) -> np.ndarray:
    found = minimize(loss, start, jac=True, method="L-BFGS-B", options={"maxiter": steps, "ftol": 1e-8})
    return np.asarray(found.x)


def _thinned(rows: LabelledNotes) -> LabelledNotes:
    """Return every so manyth label, ENOUGH in all: the minimum of all of them is soon found from that of these."""
    step = len(rows.rejected) // ENOUGH
    if step < 2:
        return rows
    kept = rows.group % step == 0
    return LabelledNotes(
        Evidence(rows.evidence.odds[kept], rows.evidence.side[kept]),
        rows.articulation[kept],
        rows.instrument[kept],
        rows.group[kept] // step,
        rows.named[kept],
        rows.rejected[::step],
        rows.kind[::step],
    )


def _start(loss: "_Loss", shapes: Shapes, kinds: int) -> np.ndarray:
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


def _sure(found: np.ndarray, loss: "_Loss", shapes: Shapes, names: _Names) -> dict[str, float]:
    first, step, sure = shapes["overall"][0], 0.01, {}
    here = loss(found)[1]
    for place, kind in enumerate(names.kinds, start=first):
        away = np.zeros(len(found))
        away[place] = step
        bend = (loss(found + away)[1][place] - here[place]) / step
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


def _shapes(names: _Names) -> Shapes:
    kinds = len(names.kinds)
    return {
        "overall": (1,),
        "kind": (kinds,),
        "direction": (kinds,),
        "articulation": (len(names.articulations), kinds),
        "instrument": (len(names.instruments), kinds),
    }


def _split(values: np.ndarray, shapes: Shapes) -> dict[str, np.ndarray]:
    """Return the arrays that lie one after another in ``values``."""
    ends = np.cumsum([int(np.prod(shape)) for shape in shapes.values()]).tolist()
    parts = zip(shapes.items(), [0, *ends], ends, strict=False)
    return {name: values[start:end].reshape(shape) for (name, shape), start, end in parts}


class _Loss:
    """Minus the log posterior of a point, and its gradient; ``locked`` is NaN where a kind is free."""

    def __init__(
        self, rows: LabelledNotes, kinds: Sequence[str], config: TasteConfig, locked: np.ndarray, shapes: Shapes
    ) -> None:
        self.rows, self.kinds, self.config, self.locked, self.shapes = rows, kinds, config, locked, shapes
        self.groups = len(rows.rejected)
        self.kind = rows.kind[rows.group]
        self.known = np.flatnonzero(self.kind >= 0)  # rows whose label names a kind
        n = len(rows.group)
        self.sums = [
            csr_array((np.ones(n), (index, np.arange(n))), (shapes[name][0], n))
            for name, index in (("articulation", rows.articulation), ("instrument", rows.instrument))
        ]

    def __call__(self, point: np.ndarray) -> tuple[float, np.ndarray]:
        own, config = _split(point, self.shapes), self.config
        likelihood, slope, even = self._log_likelihood(own)
        slopes = {
            "overall": np.array([slope.sum()]),
            "kind": slope.sum(0),
            "direction": (slope * self.rows.evidence.side).sum(0),
            "articulation": self.sums[0] @ slope,
            "instrument": self.sums[1] @ even,
        }
        penalty = 0.0
        for name in ("overall", "direction", "articulation", "instrument"):
            scale = getattr(config, name)
            penalty += ((own[name] / scale) ** 2).sum() / 2
            slopes[name] = own[name] / scale**2 - slopes[name]
        wide = config.degrees * np.where(own["kind"] < 0, config.stricter, config.kind) ** 2
        penalty += (config.degrees + 1) / 2 * np.log1p(own["kind"] ** 2 / wide).sum()
        slopes["kind"] = (config.degrees + 1) * own["kind"] / (wide + own["kind"] ** 2) - slopes["kind"]
        return float(penalty - likelihood), np.concatenate([slopes[name].ravel() for name in self.shapes])

    def _log_likelihood(self, own: Mapping[str, np.ndarray]) -> tuple[float, np.ndarray, np.ndarray]:
        """Return the log likelihood of all labels, its slope by each row's tolerances, and by its instrument's.

        Slopes have the shape (row, kind).
        """
        rows, n, m = self.rows, self.config.label_noise, self.config.named_noise
        free = own["overall"] + own["kind"] + own["direction"] * rows.evidence.side
        free += own["articulation"][rows.articulation]
        moves = np.isnan(self.locked) & (np.abs(free) < MOST)
        tolerance = np.where(np.isnan(self.locked), np.clip(free, -MOST, MOST), self.locked)
        more, steep = change(self.kinds, tolerance)
        more -= EVEN * np.where(np.isnan(self.locked), own["instrument"][rows.instrument], 0.0)
        each = np.exp(np.minimum(rows.evidence.odds + more, LARGEST))
        total = 1 + each.sum(1)
        each /= total[:, None]
        bad, well = 1 - 1 / total, 1 / total
        about = np.where(self.kind < 0, bad, 0.0)
        about[self.known] = each[self.known, self.kind[self.known]]
        about *= rows.named
        fine = np.exp(self._by_group(-np.log(total)))
        some, of_them = np.maximum(self._by_group(bad), LEAST), self._by_group(about)
        rejected, why = rows.rejected, of_them / some
        any_, none = n + (1 - 2 * n) * (1 - fine), n + (1 - 2 * n) * fine
        named = m + (1 - m) * why
        value = rejected * (np.log(any_) + np.log(named)) + (1 - rejected) * np.log(none)
        by_fine = (1 - 2 * n) * fine * ((1 - rejected) / none - rejected / any_)
        by_about = rejected * (1 - m) / named / some
        by_some = np.where(some > LEAST, -by_about * why, 0.0)
        group, own_about = rows.group, rows.named * by_about[rows.group]
        free_of_kind = np.where(self.kind < 0, own_about * well, -about * by_about[group])
        slope = each * (-by_fine[group] + by_some[group] * well + free_of_kind)[:, None]
        slope[self.known, self.kind[self.known]] += (about * by_about[group])[self.known]
        even = np.where(np.isnan(self.locked), -EVEN * slope, 0.0)
        return float(value.sum()), np.where(moves, steep * slope, 0.0), even

    def _by_group(self, values: np.ndarray) -> np.ndarray:
        return np.bincount(self.rows.group, values, self.groups)


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
