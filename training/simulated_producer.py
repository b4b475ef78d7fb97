"""A simulated producer to evaluate retraining with: verdicts from the truth of built sessions, with label noise.

Truth of the builder (take -> what is wrong) goes in; verdicts like those of people come out: a rejected note with its
reason, or the whole take without one; an accepted take.
"""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from triage.domain.verdict import Verdict
from triage.judge.note_table import NoteTable

BEGAN = datetime(2026, 3, 14, 9, tzinfo=UTC)
MATCH_S = 0.3


def give_verdicts(
    order: Sequence[str],
    truth: Mapping[str, Mapping[str, Any]],
    table: NoteTable,
    label_noise: float,
    named: float,
    rng: np.random.Generator,
) -> list[Verdict]:
    """Return one verdict on each take, in the order given.

    ``label_noise`` is the share of verdicts inverted, ``named`` the share of rejects that name note and reason.
    """
    verdicts = []
    for count, take in enumerate(order):
        fault = truth[take]["fault"]
        reject = bool(fault) != bool(rng.random() < label_noise)
        note, reason = None, None
        if fault and reject and rng.random() < named:
            reason = str(fault["kind"])
            note = _note(fault, truth[take], table, take)
        at = BEGAN + timedelta(seconds=20 * count)
        verdicts.append(Verdict(take, "reject" if reject else "accept", "producer", at, note, reason))
    return verdicts


def _note(fault: Mapping[str, Any], truth: Mapping[str, Any], table: NoteTable, take: str) -> int | None:
    """Return the number that the tool gave the spoilt note, None where it found none there."""
    onsets = [note["onset_s"] for note in truth["notes"] if note["note"] == fault.get("note")]
    mine = np.flatnonzero(table.take == take)
    if not onsets or not len(mine):
        return None
    nearest = mine[np.abs(table.start_s[mine] - onsets[0]).argmin()]
    return int(table.number[nearest]) if abs(table.start_s[nearest] - onsets[0]) < MATCH_S else None
