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


def in_short(kind: str, why: str) -> tuple[str, str | None]:
    """Return what a spot says as what to do, and the finding word by word where that is more."""
    path, found, reason = why.partition(": ")
    if kind != "truncated" or not found:
        return why, None
    name, cut = path.rpartition("/")[2], reason.startswith("truncated")
    what = f"the copy of {name} is cut short" if cut else f"{name} cannot be read"
    return f"{what}: fetch it again", why
