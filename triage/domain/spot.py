"""A spot: a segment of a take that is worth hearing."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Spot:
    """A segment of a take that is worth hearing: its kind, its own doubt, and the reason as text and as numbers."""

    take: str
    start_s: float
    end_s: float
    note: int | None
    kind: str
    doubt: float
    why: str
    mic: str | None = None
    found: float | None = None
    expected: float | None = None
    unit: str | None = None
