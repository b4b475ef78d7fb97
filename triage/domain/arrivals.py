"""What arrived of a session, and what did not arrive as it should."""

from dataclasses import dataclass
from datetime import datetime
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

    @property
    def place(self) -> tuple[str, str, str]:
        """What it is about, whatever is wrong with it: path, take and microphone."""
        return self.path or "", self.take or "", self.mic or ""


Action = Literal["fetched", "will-not-come", "belongs", "ignore"]
ACTIONS: dict[Action, str] = {
    "fetched": "being fetched again",
    "will-not-come": "will not come",
    "belongs": "belongs to another take",
    "ignore": "of no account",
}


@dataclass(frozen=True)
class ArrivalAction:
    """What somebody makes of a file that did not arrive as it should; the last one on it counts.

    ``of_take`` and ``of_mic`` say what a file belongs to; from the next intake on it is read as that.
    """

    action: Action
    by: str
    at: datetime
    path: str | None = None
    take: str | None = None
    mic: str | None = None
    of_take: str | None = None
    of_mic: str | None = None

    @property
    def place(self) -> tuple[str, str, str]:
        """What it is about: path, take and microphone."""
        return self.path or "", self.take or "", self.mic or ""

    @property
    def words(self) -> str:
        """What is done about it."""
        return f"belongs to {self.of_take}, {self.of_mic}" if self.action == "belongs" else ACTIONS[self.action]


@dataclass(frozen=True)
class Arrivals:
    """All that is wrong with what arrived, how many takes are complete, and lines for a person to read."""

    entries: tuple[ArrivalProblem, ...] = ()
    complete: int = 0
    problems: tuple[str, ...] = ()

    def of_kind(self, *kinds: ArrivalKind) -> tuple[ArrivalProblem, ...]:
        """Return the entries of some kinds."""
        return tuple(entry for entry in self.entries if entry.kind in kinds)
