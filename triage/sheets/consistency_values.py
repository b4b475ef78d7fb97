"""What a consistency report holds, as plain frozen values; None where something cannot be determined.

A ``Dot`` is one note; everything else names dots by their place in ``ConsistencyReport.dots``, so that whatever is
drawn can be played. Values are in the unit beside them, shares and intervals from 0 to 1.
"""

from dataclasses import dataclass


@dataclass(frozen=True)
class Dot:
    """One note, where it is, and its five values (length in s, level in dBFS, brightness in Hz ...)."""

    take_id: int
    session: str
    take: str
    note: int
    instrument: str
    articulation: str
    dynamic: str
    mic: str
    pitch_midi: int | None
    start_s: float
    end_s: float
    values: tuple[float | None, ...]  # in the order of ConsistencyReport.quantities
    doubt: float | None  # the judge's, as in the queue
    verdict: str | None  # what people's verdicts amount to: accept, unsure, disputed; rejected notes are no dots


@dataclass(frozen=True)
class WorstSheet:
    """One finding of the overview: what, where, whether it is heard, what to do, and notes to hear it by."""

    what: str
    where: str
    audible: str
    do: str
    notes: int  # that it concerns
    weight: float  # times what a listener notices, times the notes
    dots: tuple[int, ...]


@dataclass(frozen=True)
class CohortSheet:
    """One quantity of one cohort: instrument, articulation, dynamic and microphone."""

    instrument: str
    articulation: str
    dynamic: str
    mic: str
    quantity: str
    unit: str


@dataclass(frozen=True)
class CurveSheet(CohortSheet):
    """A quantity over the keyboard; ``step`` is the greatest between two neighbouring pitches."""

    pitches: tuple[int, ...]
    middle: tuple[float | None, ...]
    expected: tuple[float | None, ...]
    low: tuple[float | None, ...]
    high: tuple[float | None, ...]
    dots: tuple[int, ...]
    strays: tuple[int, ...]
    step_from: int | None
    step_to: int | None
    step: float | None


@dataclass(frozen=True)
class OutlierSheet:
    """A note that lies apart from its neighbours in one quantity."""

    dot: int
    quantity: str
    unit: str
    found: float
    expected: float
    sigmas: float
    why: str


@dataclass(frozen=True)
class StepSheet:
    """Two neighbouring dynamics of one articulation on one microphone."""

    instrument: str
    articulation: str
    mic: str
    softer: str
    louder: str


@dataclass(frozen=True)
class RungSheet(StepSheet):
    """One step between two dynamics at one pitch: rises, touches or falls in level and in brightness."""

    pitch_midi: int
    level_db: float
    brighter: float
    level: str
    brightness: str
    lower: tuple[int, ...]
    upper: tuple[int, ...]


@dataclass(frozen=True)
class LadderSheet(StepSheet):
    """All steps between two dynamics; ``apart`` says that they were never recorded in one session."""

    sentence: str
    apart: bool
    rungs: tuple[RungSheet, ...]


@dataclass(frozen=True)
class RepeatSheet(CohortSheet):
    """How far the repetitions of a cell spread: one sigma, with its 90 % interval."""

    sigma: float
    low: float
    high: float
    cells: int
    notes: int


@dataclass(frozen=True)
class PairSheet:
    """Two notes of one cell and how alike they are, 1 as usual, 0 the same."""

    first: int
    second: int
    alike: float
    distance: float | None
    too_alike: bool


@dataclass(frozen=True)
class ShareSheet:
    """One factor's share of a spread, or why there is none; ``effects`` are (level, how far off in the unit)."""

    factor: str
    levels: int
    share: float | None
    low: float | None
    high: float | None
    effects: tuple[tuple[str, float], ...]
    why_not: str


@dataclass(frozen=True)
class SpreadSheet:
    """Where the spread of one quantity of one articulation comes from."""

    instrument: str
    articulation: str
    quantity: str
    unit: str
    typical: float | None
    sigma: float | None
    notes: int  # that it was estimated from, of how many there are
    all_notes: int
    sentence: str
    shares: tuple[ShareSheet, ...]
    strays: tuple[int, ...]  # dots that were left out


@dataclass(frozen=True)
class DriftPoint:
    """One take in a drift: the hour on the clock (or its number), its value, and a note of it to play."""

    hour: float
    value: float
    dot: int


@dataclass(frozen=True)
class DriftSheet:
    """A quantity against the time on the clock over one day; ``clock`` is false where only the order is known."""

    instrument: str
    day: str
    quantity: str
    unit: str
    clock: bool
    adjusted: bool
    change: float | None
    low: float | None
    high: float | None
    p: float | None
    found: bool
    sentence: str
    why_not: str
    points: tuple[DriftPoint, ...]


@dataclass(frozen=True)
class ConsistencyReport:
    """The whole report: the sentences first, then the data behind them."""

    sessions: tuple[str, ...]
    days: tuple[str, ...]
    rejected: int  # notes left out because people rejected them
    quantities: tuple[str, ...]
    worst: tuple[WorstSheet, ...]
    sentences: tuple[str, ...]
    dots: tuple[Dot, ...]
    curves: tuple[CurveSheet, ...]
    strays: tuple[OutlierSheet, ...]
    ladders: tuple[LadderSheet, ...]
    repeats: tuple[RepeatSheet, ...]
    pairs: tuple[PairSheet, ...]
    spreads: tuple[SpreadSheet, ...]
    drifts: tuple[DriftSheet, ...]
