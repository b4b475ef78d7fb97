"""A noise hit, a person's mark on a group of hits, and a person's correction of one."""

from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True)
class Hit:
    """One noise hit: nearest to ``mic``, recorded by ``mics``, the loudest first; exposed 0 masked to 1 audible."""

    kind: str
    start_s: float
    end_s: float
    mic: str
    mics: tuple[str, ...]
    level_dbfs: float | None
    over_floor_db: float | None
    exposed: float | None
    note: int | None = None
    group: str | None = None  # microphone:kind:rhythm, once the session was ranked
    harmless: bool = False  # somebody listened to its group and marked it so
    take: str = ""  # where hits of several takes are listed
    second_mic: str | None = None  # as near, as far as can be told
    natural: str | None = None  # a natural sound of playing, and which; ``kind`` says what it is if it stands out
    usual: bool = False  # a natural sound like those of the player's other notes: no fault
    usual_db: float | None = None  # how loud those are, against the note
    hz: float | None = None  # of what lasts: where most of it is
    sound: tuple[float, ...] = ()  # level of each part of its spectrum, in dB of the highest
    found_kind: str | None = None  # as the analysis found it, where corrections changed that
    found_start_s: float | None = None
    found_end_s: float | None = None

    @property
    def own_kind(self) -> str:
        """What it is listed as: a natural sound of playing under its own name, unless somebody corrected it."""
        return self.natural if self.natural and self.found_kind is None else self.kind


@dataclass(frozen=True)
class HarmlessMark:
    """A person marked a group of hits as harmless, or no longer; never changed, only followed by another mark."""

    group: str
    harmless: bool
    session: str
    by: str
    at: datetime
    loudest_dbfs: float | None = None  # of the hits at that time


@dataclass(frozen=True)
class HitCorrection:
    """A person corrected a hit: its kind (None: it is no noise) and its boundaries; never changed, only followed."""

    session: str
    take: str
    mic: str
    kind: str  # as it was found
    start_s: float
    end_s: float
    sound: tuple[float, ...]
    right_kind: str | None
    right_start_s: float
    right_end_s: float
    by: str
    at: datetime
