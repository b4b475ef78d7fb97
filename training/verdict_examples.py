"""Examples from verdicts: what people said of takes and notes, as something that a classifier can learn from.

What speaks against a session's notes and what people said of them go in; the same comes out with *words*: a word is
about one note or about all notes of a take, says how many of the people rejected, and of what kind the trouble was.
A rejected take says only that something in it is bad; an accepted one says that all of it is good.
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
class Word:
    """What is known of one note, or of a take as a whole, once all people are heard.

    ``rejected`` is the share of people who rejected it, ``kind`` ANY, "noise" or a kind of the playing.
    """

    take: str
    note: int | None
    rejected: float
    kind: str
    people: int


@dataclass(frozen=True)
class VerdictExamples:
    """One session's notes with what was said of them; ``rows`` holds the note rows of each word."""

    session: str
    features: NoteFeatures
    relative: np.ndarray  # (note, dimension)
    table: NoteTable
    words: tuple[Word, ...]
    rows: tuple[np.ndarray, ...]

    def said(self, verdicts: Sequence[Verdict]) -> "VerdictExamples":
        """Return the same notes with what other verdicts say of them."""
        words = resolve(verdicts)
        places = _Places(self.table, words)
        rows = [places.rows(word) for word in words]
        kept = [i for i, own in enumerate(rows) if len(own)]
        return replace(self, words=tuple(words[i] for i in kept), rows=tuple(rows[i] for i in kept))

    def only(self, chosen: Sequence[int]) -> "VerdictExamples":
        """Return the same notes with only some of the words."""
        return replace(self, words=tuple(self.words[i] for i in chosen), rows=tuple(self.rows[i] for i in chosen))


def examples_of_session(session: str, features: SessionFeatures, verdicts: Sequence[Verdict]) -> VerdictExamples:
    """Return the examples of one session from the verdicts that stand in it."""
    return VerdictExamples(session, features.notes, features.relative, features.table, (), ()).said(verdicts)


def resolve(verdicts: Sequence[Verdict]) -> list[Word]:
    """Return one word for each take and note that somebody settled, from the verdicts that stand.

    "unsure" settles nothing. A reject for a technical reason says nothing of the notes and is left out, so that a
    dropout never teaches that the playing was bad.
    """
    places: dict[tuple[str, int | None], list[Verdict]] = {}
    for one in verdicts:
        places.setdefault((one.take, one.note), []).append(one)
    words = []
    for (take, note), own in places.items():
        settled = [one for one in own if one.verdict != "unsure" and one.reason not in TECHNICAL]
        rejects = [one for one in settled if one.verdict == "reject"]
        if settled:
            kind = _kind([one.reason for one in rejects])
            words.append(Word(take, note, len(rejects) / len(settled), kind, len(settled)))
    return words


def _kind(reasons: Sequence[str | None]) -> str:
    named = Counter(
        "noise" if family(reason) == "noise" or reason == "noise" else reason for reason in reasons if reason
    )
    if not named:
        return ANY
    (kind, count), *others = named.most_common()
    return ANY if others and others[0][1] == count else kind


class _Places:
    """Which rows of a table each word is about."""

    def __init__(self, table: NoteTable, words: Sequence[Word]) -> None:
        self._number = table.number
        self._rows: dict[str, list[int]] = {}
        for i, take in enumerate(table.take.tolist()):
            self._rows.setdefault(take, []).append(i)
        self._alone: dict[str, dict[int, float]] = {}  # take -> note spoken of by itself -> how far rejected
        for word in words:
            if word.note is not None:
                self._alone.setdefault(word.take, {})[word.note] = word.rejected

    def rows(self, word: Word) -> np.ndarray:
        """Return the rows that a word is about.

        A word on a take is about those of its notes that nobody spoke of one by one; if one of these was rejected,
        that is why the take was, and its reject teaches nothing more.
        """
        mine = np.array(self._rows.get(word.take, []), int)
        if word.note is not None:
            return mine[self._number[mine] == word.note]
        alone = self._alone.get(word.take, {})
        if word.rejected >= 0.5 and any(rejected >= 0.5 for rejected in alone.values()):
            return mine[:0]
        return mine[~np.isin(self._number[mine], list(alone))]
