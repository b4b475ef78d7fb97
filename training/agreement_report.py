"""Agreeing: how far the people behind the verdicts say the same, and which verdicts contradict the rest.

Verdicts in; kappa between any two people, and of one person with himself where he heard a note twice; and the words
that confident learning (Northcutt, Jiang and Chuang, JAIR 70, 2021; cleanlab) would hear again.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
from cleanlab.filter import find_label_issues

from triage.domain.verdict import Verdict
from triage.judge.agreement import cohen_kappa

Place = tuple[str, str]  # session, take
Spot = tuple[str, str, int | None]  # session, take, note
ENOUGH = 10  # words of either kind, below which nothing can be called a contradiction


@dataclass(frozen=True)
class Contradiction:
    """A word to hear again: what was said, and the probability of a reject that the other words lead to."""

    session: str
    take: str
    note: int | None
    said: str
    probability: float


def agreement_of(verdicts: Mapping[str, Sequence[Verdict]]) -> list[dict[str, Any]]:
    """Return kappa for every two people who settled the same takes, and of each with himself.

    Who rejects a note rejects its take. With himself: what he said of a take when it came back unannounced, against
    what he said before.
    """
    said: dict[str, dict[Place, bool]] = {}
    twice: dict[str, list[tuple[bool, bool]]] = {}
    for session, own in verdicts.items():
        for one in own:
            if one.verdict == "unsure":
                continue
            rejects, place = one.verdict == "reject", (session, one.take)
            takes = said.setdefault(one.by, {})
            if one.blind and place in takes:
                twice.setdefault(one.by, []).append((takes[place], rejects))
            if one.blind:  # it tells of him; what he said at first stands
                continue
            takes[place] = rejects or (one.note is not None and takes.get(place, False))
    rows = []
    for a, b in combinations(sorted(said), 2):
        shared = sorted(said[a].keys() & said[b].keys())
        if shared:
            rows.append(_row((a, b), [(said[a][place], said[b][place]) for place in shared]))
    return rows + [_row((name, name), pairs) for name, pairs in sorted(twice.items())]


def contradictions(places: Sequence[Spot], rejected: np.ndarray, probability: np.ndarray) -> list[Contradiction]:
    """Return the words that contradict the rest, the most surprising first.

    Parameters
    ----------
    places : sequence of (session, take, note)
    rejected : ndarray of bool, shape (word,)
    probability : ndarray, shape (word,)
        Of a reject, by a model that did not learn from that word's session.
    """
    labels = np.asarray(rejected, int)
    if min((labels == 0).sum(), (labels == 1).sum()) < ENOUGH:
        return []
    chances = np.column_stack([1 - probability, probability])
    found = find_label_issues(labels, chances, return_indices_ranked_by="self_confidence", n_jobs=1)
    return [Contradiction(*places[int(i)], "reject" if labels[i] else "accept", float(probability[i])) for i in found]


def _row(people: tuple[str, str], pairs: Sequence[tuple[bool, bool]]) -> dict[str, Any]:
    found = cohen_kappa([a for a, _ in pairs], [b for _, b in pairs])
    numbers = {name: None if value != value else value for name, value in found._asdict().items()}
    return {"people": list(people), **numbers}
