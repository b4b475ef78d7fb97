"""How far people agree, and which verdicts contradict the rest.

Verdicts in; Cohen's kappa between any two people, and of one person with themselves on takes heard twice; and the
verdicts that confident learning (Northcutt, Jiang and Chuang, JAIR 70, 2021) finds to be label errors.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np

from triage.domain.verdict import Verdict
from triage.judge.agreement import cohen_kappa

TakeKey = tuple[str, str]  # session, take
NoteKey = tuple[str, str, int | None]  # session, take, note
ENOUGH = 10  # verdicts of either kind, below which nothing can be called a contradiction
TOLERANCE = 1e-6  # of a probability


@dataclass(frozen=True)
class Contradiction:
    """A verdict to hear again, and the probability of a reject that the other verdicts lead to."""

    session: str
    take: str
    note: int | None
    said: str  # the verdict; the name is that of the model card's key
    probability: float


def agreement_of(verdicts: Mapping[str, Sequence[Verdict]]) -> list[dict[str, Any]]:
    """Return kappa for every two people who settled the same takes, and of each with themselves.

    Who rejects a note rejects its take. With oneself: the verdict on a take that came back unannounced, against the
    earlier one.
    """
    rejected: dict[str, dict[TakeKey, bool]] = {}
    repeats: dict[str, list[tuple[bool, bool]]] = {}
    for session, own in verdicts.items():
        for one in own:
            if one.verdict == "unsure":
                continue
            reject, take = one.verdict == "reject", (session, one.take)
            takes = rejected.setdefault(one.by, {})
            if not one.blind:
                takes[take] = reject or (one.note is not None and takes.get(take, False))
            elif take in takes:  # a blind repeat measures the person; the first verdict stands
                repeats.setdefault(one.by, []).append((takes[take], reject))
    rows = []
    for a, b in combinations(sorted(rejected), 2):
        shared = sorted(rejected[a].keys() & rejected[b].keys())
        if shared:
            rows.append(_row((a, b), [(rejected[a][take], rejected[b][take]) for take in shared]))
    return rows + [_row((name, name), pairs) for name, pairs in sorted(repeats.items())]


def contradictions(places: Sequence[NoteKey], rejected: np.ndarray, probability: np.ndarray) -> list[Contradiction]:
    """Return the verdicts that contradict the rest, the most surprising first.

    Parameters
    ----------
    places : sequence of (session, take, note)
    rejected : ndarray of bool, shape (verdict,)
    probability : ndarray, shape (verdict,)
        Of a reject, by a model that did not learn from that verdict's session.
    """
    labels = np.asarray(rejected, int)
    if np.bincount(labels, minlength=2).min() < ENOUGH:
        return []
    found = label_errors(labels, probability)
    return [Contradiction(*places[i], "reject" if labels[i] else "accept", float(probability[i])) for i in found]


def label_errors(labels: np.ndarray, probability: np.ndarray) -> list[int]:
    """Return the indices of the likely errors among labels of 0 and 1, the least likely label first.

    Confident learning, pruned by noise rate: an example counts confidently for a class where its probability reaches
    the mean of that class's own examples. The joint of label and confident class, scaled to the number of labels,
    says how many labels of each class are wrong; those are the ones of least probability.
    """
    chances = np.column_stack([1 - probability, probability])
    threshold = [chances[labels == k, k].mean() for k in (0, 1)]
    confident = chances >= np.array(threshold) - TOLERANCE
    guess = np.where(confident.all(axis=1), chances.argmax(axis=1), confident.argmax(axis=1))
    known = confident.any(axis=1)
    joint = np.zeros((2, 2))
    np.add.at(joint, (labels[known], guess[known]), 1)
    np.fill_diagonal(joint, np.maximum(joint.diagonal(), 1))
    own = chances[np.arange(len(labels)), labels]
    found: list[int] = []
    for label in (0, 1):
        mine = np.flatnonzero(labels == label)
        wrong = round(joint[label, 1 - label] / joint[label].sum() * len(mine))
        found += mine[np.argsort(own[mine], kind="stable")[:wrong]].tolist()
    return sorted((i for i in found if own[i] + TOLERANCE < 1 - own[i]), key=lambda i: float(own[i]))


def _row(people: tuple[str, str], pairs: Sequence[tuple[bool, bool]]) -> dict[str, Any]:
    found = cohen_kappa([a for a, _ in pairs], [b for _, b in pairs])
    numbers = {name: None if value != value else value for name, value in found._asdict().items()}
    return {"people": list(people), **numbers}
