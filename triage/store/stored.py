"""What comes out of the store, as plain frozen values (what goes in is in ``triage.domain``).

Times are in seconds from the start of the take, notes count from 1; None stands for what is unknown.
"""

from dataclasses import dataclass
from datetime import datetime

from triage.domain.note import Note
from triage.domain.session import Session
from triage.domain.spot import Spot


@dataclass(frozen=True)
class StoredSession(Session):
    """A session as the store knows it; ``model`` is the name and version of what judged it last."""

    id: int
    model: str | None
    taken_in_at: datetime
    complete: int | None


@dataclass(frozen=True)
class StoredTake:
    """A take as it stands in the store, without its notes and hits."""

    id: int
    name: str
    fingerprint: str | None
    instrument: str | None
    articulation: str | None
    dynamic: str | None
    remark: str | None
    expected_pitches: tuple[int, ...]
    repetitions: int | None
    duration_s: float | None
    problem: str | None
    analysed: bool
    measured_mic: str | None
    doubt: float | None
    listen_s: float | None
    rank: int | None
    setup: str | None = None
    recorded_at: datetime | None = None  # on the clock of the hall
    recorded_from: str | None = None
    session_id: int = 0
    model: str | None = None  # name and version of what judged it
    audio_digest: str | None = None
    sheet_row_digest: str | None = None
    heard: bool = False  # somebody has given a verdict on it as it is now
    settled: bool = False  # whoever decided agrees
    disputed: bool = False
    rejected: bool = False  # settled as a reject
    sampled: bool = False  # heard as part of the random sample
    random_order: float | None = None
    learning_rank: int | None = None
    without_natural_sounds: bool = False


@dataclass(frozen=True, kw_only=True)
class StoredNote(Note):
    """A note as it stands in the store, with the cell of its take; every name of MEASUREMENTS has a value."""

    take: str
    instrument: str | None
    articulation: str | None
    dynamic: str | None
    doubt: float | None
    reject_probability: float | None
    outlier: float | None


@dataclass(frozen=True)
class QueueEntry:
    """One row of the queue: ranks go from 1 without gaps, spots have the most doubtful first."""

    rank: int
    take: str
    instrument: str | None
    articulation: str | None
    dynamic: str | None
    doubt: float | None
    listen_s: float | None
    duration_s: float | None
    verdict: str | None  # the last one on the whole take
    problem: str | None
    spots: tuple[Spot, ...]
