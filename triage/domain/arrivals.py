"""What arrived of a session, and what did not arrive as it should."""

from dataclasses import dataclass

ARRIVAL_KINDS = ("missing", "unexpected", "broken", "unlike")


@dataclass(frozen=True)
class ArrivalProblem:
    """One file or track that did not arrive as it should; which fields are set depends on ``kind``.

    missing: take, mic · unexpected: path · broken: path, why · unlike: path, what, found, expected
    """

    kind: str
    path: str | None = None
    take: str | None = None
    mic: str | None = None
    what: str | None = None
    found: str | int | float | None = None
    expected: str | int | float | None = None
    why: str | None = None


@dataclass(frozen=True)
class Arrivals:
    """The roll call of a session: what is amiss, how much is complete, and lines for a person to read."""

    entries: tuple[ArrivalProblem, ...]
    complete: int
    problems: tuple[str, ...] = ()
