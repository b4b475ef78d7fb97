"""A model's judgement of one session: doubts, ranks and spots."""

from dataclasses import dataclass

from triage.domain.spot import Spot


@dataclass(frozen=True)
class NoteJudgement:
    """A model's judgement of one note."""

    take: str
    number: int
    doubt: float | None
    reject_probability: float | None
    outlier: float | None


@dataclass(frozen=True)
class TakeJudgement:
    """A model's judgement of one take; equal ranks are put in order of take name.

    ``learning_rank`` counts from 1 the most informative takes for the model; None for the others.
    """

    take: str
    doubt: float | None
    listen_s: float | None
    rank: int | None
    learning_rank: int | None = None


@dataclass(frozen=True)
class SerialisedFeatures:
    """The features of a session as bytes; ``key`` names what it depends on."""

    key: str
    data: bytes


@dataclass(frozen=True)
class ExpectedValues:
    """What the judge expected of a take's notes; ``values`` are little-endian float32, (note, name, 3).

    The three are the value, the low and the high end of its band, in the measurement's own unit; NaN where unknown.
    """

    take: str
    notes: tuple[int, ...]  # by number
    names: tuple[str, ...]  # of measurements
    values: bytes


@dataclass(frozen=True)
class Judgement:
    """A model's judgement of one session; ``model`` is its name and version."""

    model: str
    takes: tuple[TakeJudgement, ...] = ()
    notes: tuple[NoteJudgement, ...] = ()
    spots: tuple[Spot, ...] = ()
    features: SerialisedFeatures | None = None
    expected: tuple[ExpectedValues, ...] | None = None  # None: as the last ranking left them
