"""A noise hit, and a person's mark on a group of hits."""

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


@dataclass(frozen=True)
class HarmlessMark:
    """A person marked a group of hits as harmless, or no longer; never changed, only followed by another mark."""

    group: str
    harmless: bool
    session: str
    by: str
    at: datetime
    loudest_dbfs: float | None = None  # of the hits at that time
