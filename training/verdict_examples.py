"""Examples from verdicts: people's verdicts on takes and notes, as something that a classifier can learn from.

A session's features and the verdicts on its notes go in; labelled examples come out: a label belongs to one note or
to all notes of a take, and holds the share of people who rejected it and the kind of fault. A rejected take means
only that some note of it is bad; an accepted one means that all are good.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from triage.domain.kinds import TECHNICAL, family
from triage.domain.verdict import Verdict
from triage.judge.features import NoteFeatures
from triage.judge.note_table import NoteTable
from triage.ranking.session_features import SessionFeatures

ANY = "any"  # a reject whose reason is not known


@dataclass(frozen=True)
class Label:
    """The verdicts of all people on one note, or on a take as a whole.

    ``rejected`` is the share of people who rejected it, ``kind`` ANY, "noise" or a kind of the playing.
    """

    take: str
    note: int | None
    rejected: float
    kind: str
    people: int


@dataclass(frozen=True)
class VerdictExamples:
    """One session's notes with their labels; ``rows`` holds the note rows of each label."""

    session: str
    features: NoteFeatures
    relative: np.ndarray  # (note, dimension)
    table: NoteTable
    labels: tuple[Label, ...]
    rows: tuple[np.ndarray, ...]

    def with_verdicts(self, verdicts: Sequence[Verdict]) -> "VerdictExamples":
        """Return the same notes labelled by other verdicts."""
        labels = labels_from(verdicts)
        note_rows = _NoteRows(self.table, labels)
        rows = [note_rows.rows(label) for label in labels]
        found = [i for i, own in enumerate(rows) if len(own)]
        return replace(self, labels=tuple(labels[i] for i in found), rows=tuple(rows[i] for i in found))

    def subset(self, chosen: Sequence[int]) -> "VerdictExamples":
        """Return the same notes with only some of the labels."""
        return replace(self, labels=tuple(self.labels[i] for i in chosen), rows=tuple(self.rows[i] for i in chosen))


def examples_of_session(session: str, features: SessionFeatures, verdicts: Sequence[Verdict]) -> VerdictExamples:
    """Return the examples of one session from the verdicts that stand in it."""
    return VerdictExamples(session, features.notes, features.relative, features.table, (), ()).with_verdicts(verdicts)


def labels_from(verdicts: Sequence[Verdict]) -> list[Label]:
    """Return one label for each take and note that somebody settled, from the verdicts that stand.

    "unsure" settles nothing. A reject for a technical reason is no label of the notes and is left out, so that a
    dropout is never learnt as bad playing.
    """
    places: dict[tuple[str, int | None], list[Verdict]] = {}
    for one in verdicts:
        places.setdefault((one.take, one.note), []).append(one)
    labels = []
    for (take, note), given in places.items():
        own = [one for one in given if one.settles][-1:] or given  # who ends a dispute speaks for all
        settled = [one for one in own if one.verdict != "unsure" and one.reason not in TECHNICAL]
        rejects = [one for one in settled if one.verdict == "reject"]
        if settled:
            kind = _kind([one.reason for one in rejects])
            labels.append(Label(take, note, len(rejects) / len(settled), kind, len(settled)))
    return labels


def _kind(reasons: Sequence[str | None]) -> str:
    named = Counter(
        "noise" if family(reason) == "noise" or reason == "noise" else reason for reason in reasons if reason
    )
    if not named:
        return ANY
    (kind, count), *others = named.most_common()
    return ANY if others and others[0][1] == count else kind


class _NoteRows:
    """Which rows of a table each label belongs to."""

    def __init__(self, table: NoteTable, labels: Sequence[Label]) -> None:
        self._number = table.number
        self._rows: dict[str, list[int]] = {}
        for i, take in enumerate(table.take.tolist()):
            self._rows.setdefault(take, []).append(i)
        self._single: dict[str, dict[int, float]] = {}  # take -> note with a verdict of its own -> share rejected
        for label in labels:
            if label.note is not None:
                self._single.setdefault(label.take, {})[label.note] = label.rejected

    def rows(self, label: Label) -> np.ndarray:
        """Return the rows that a label belongs to.

        A take's label belongs to those of its notes that have no verdict of their own; if one of the others was
        rejected, that explains the rejected take, whose label then adds nothing.
        """
        rows = np.array(self._rows.get(label.take, []), int)
        if label.note is not None:
            return rows[self._number[rows] == label.note]
        single = self._single.get(label.take, {})
        if label.rejected >= 0.5 and any(rejected >= 0.5 for rejected in single.values()):
            return rows[:0]
        return rows[~np.isin(self._number[rows], list(single))]
