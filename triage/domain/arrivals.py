"""What arrived of a session, and what did not arrive as it should."""

from dataclasses import dataclass
from typing import Literal, get_args

ArrivalKind = Literal["missing", "unexpected", "broken", "unlike"]
ARRIVAL_KINDS: tuple[ArrivalKind, ...] = get_args(ArrivalKind)


@dataclass(frozen=True)
class ArrivalProblem:
    """One file or track that did not arrive as it should; which fields are set depends on ``kind``.

    missing: take, mic · unexpected: path · broken: path, why · unlike: path, what, found, expected
    """

    kind: ArrivalKind
    path: str | None = None
    take: str | None = None
    mic: str | None = None
    what: str | None = None
    found: str | int | float | None = None
    expected: str | int | float | None = None
    why: str | None = None


@dataclass(frozen=True)
class Arrivals:
    """All that is wrong with what arrived, how many takes are complete, and lines for a person to read."""

    entries: tuple[ArrivalProblem, ...] = ()
    complete: int = 0
    problems: tuple[str, ...] = ()

    def of_kind(self, *kinds: ArrivalKind) -> tuple[ArrivalProblem, ...]:
        """Return the entries of some kinds."""
        return tuple(entry for entry in self.entries if entry.kind in kinds)
