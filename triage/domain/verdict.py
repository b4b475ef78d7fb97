"""Verdicts of people on takes and notes, and the notes that they choose for the cells."""

from dataclasses import dataclass
from datetime import datetime

VERDICTS = ("accept", "reject", "unsure")
SHOWN = ("learning", "random", "repeat", "second")  # why a take came though others are more doubtful


@dataclass(frozen=True)
class Verdict:
    """A person's verdict on a take, or on one note of it; never changed, only followed by another."""

    take: str
    verdict: str
    by: str
    at: datetime
    note: int | None = None
    reason: str | None = None
    comment: str | None = None
    blind: bool = False  # the take was shown again unannounced, to see whether the same person repeats the verdict
    shown: str | None = None  # why the desk showed the take: None for its doubt, else one of SHOWN
    settles: bool = False  # given to end a dispute: it overrules what others said there


@dataclass(frozen=True)
class NoteChoice:
    """A person's choice: keep this note for its cell (``repetition`` of it, from 1), or leave it free again."""

    take: str
    note: int
    kept: bool
    by: str
    at: datetime
    repetition: int | None = None
    pitch_midi: int | None = None
