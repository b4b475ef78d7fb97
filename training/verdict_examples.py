"""Examples from verdicts: what people said of takes and notes, as something that a classifier can learn from.

A session's takes and verdicts go in; evidence and relative vectors of its notes come out, with *words*: a word is
about one note or about all notes of a take, says how many of the people rejected, and of what kind the trouble was.
A rejected take says only that something in it is bad; an accepted one says that all of it is good.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from triage.judge.features import COHORT, Evidence, gather
from triage.judge.relative import relative_vectors
from triage.judge.table import NoteTable
from triage.scoring import table_of, trouble_of
from triage.store.records import TakeRecord, VerdictRecord

ANY = "any"  # a reject whose reason is not known
NOISES = {
    "noise", "click", "creak", "breath", "voice", "knock", "mechanism", "paper", "bleed", "rumble", "hum", "hiss",
    "other-noise",
}  # fmt: skip
TECHNICAL = {"dropout", "clipped", "dead-track", "polarity", "delay", "truncated"}


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
    evidence: Evidence
    relative: np.ndarray  # (note, dimension)
    table: NoteTable
    words: tuple[Word, ...]
    rows: tuple[np.ndarray, ...]

    def only(self, chosen: Sequence[int]) -> "VerdictExamples":
        """Return the same notes with only some of the words."""
        words, rows = tuple(self.words[i] for i in chosen), tuple(self.rows[i] for i in chosen)
        return VerdictExamples(self.session, self.evidence, self.relative, self.table, words, rows)


def examples_of_session(
    session: str, takes: Sequence[TakeRecord], verdicts: Sequence[VerdictRecord]
) -> VerdictExamples:
    """Return the examples of one session; ``takes`` as ``place`` returns them, ``verdicts`` in the order given."""
    table = table_of(takes)
    evidence = gather(table, trouble_of(takes, table))
    relative = relative_vectors(table.embedding, table.cohort(*COHORT), table.pitch, table.take)
    words = resolve(verdicts)
    rows = [_rows(table, word, words) for word in words]
    kept = [i for i, own in enumerate(rows) if len(own)]
    return VerdictExamples(
        session, evidence, relative, table, tuple(words[i] for i in kept), tuple(rows[i] for i in kept)
    )


def resolve(verdicts: Sequence[VerdictRecord]) -> list[Word]:
    """Return one word for each take and note that somebody settled.

    Of each person the last verdict counts; "unsure" settles nothing. A reject for a technical reason says nothing of
    the notes and is left out, so that a dropout never teaches that the playing was bad.
    """
    last: dict[tuple[str, int | None], dict[str, VerdictRecord]] = {}
    for said in verdicts:
        own = last.setdefault((said.take, said.note), {})
        own.pop(said.by, None)
        own[said.by] = said
    words = []
    for (take, note), people in last.items():
        settled = [said for said in people.values() if said.verdict != "unsure" and said.reason not in TECHNICAL]
        rejects = [said for said in settled if said.verdict == "reject"]
        if settled:
            kind = _kind([said.reason for said in rejects])
            words.append(Word(take, note, len(rejects) / len(settled), kind, len(settled)))
    return words


def _kind(reasons: Sequence[str | None]) -> str:
    named = Counter("noise" if reason in NOISES else reason for reason in reasons if reason)
    if not named:
        return ANY
    (kind, count), *others = named.most_common()
    return ANY if others and others[0][1] == count else kind


def _rows(table: NoteTable, word: Word, words: Sequence[Word]) -> np.ndarray:
    """Return the rows that a word is about.

    A word on a take is about those of its notes that nobody spoke of one by one; if one of these was rejected, that
    is why the take was, and its reject teaches nothing more.
    """
    mine = np.flatnonzero(table.take == word.take)
    if word.note is not None:
        return mine[table.number[mine] == word.note]
    alone = {other.note: other.rejected for other in words if other.take == word.take and other.note is not None}
    if word.rejected >= 0.5 and any(rejected >= 0.5 for rejected in alone.values()):
        return mine[:0]
    return mine[~np.isin(table.number[mine], list(alone))]
