"""How long recording takes: seconds a clean note, gaps and restarts included, learnt from the takes so far.

In: what each take cost and brought. Out: a ``Pace`` that estimates what a pick-up will cost, in seconds.
"""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from statistics import median

LEAST_NOTES = 6  # notes that a pace of one's own must rest on
MOST_RESTARTS = 3.0  # an hour of trouble in the hall predicts little of the next note
USUAL_S = 6.0  # a note with its gap, where nothing was recorded yet; common practice, no source
USUAL_PAUSE_S = 30.0  # from one take to the next, where there is no clock; common practice, no source
LONGEST_PAUSE_S = 600.0  # more than this between takes is a break
READY_S = 60.0  # until players sit ready in another set-up; common practice, no source


@dataclass(frozen=True)
class Cost:
    """One take: seconds recorded, notes played, clean ones among them."""

    instrument: str
    articulation: str
    duration_s: float
    notes: int
    clean: int


@dataclass(frozen=True)
class Pace:
    """Seconds a clean note by (instrument, articulation), by articulation, and in all; the pause between takes."""

    own: dict[tuple[str, str], float]
    by_articulation: dict[str, float]
    overall_s: float
    pause_s: float
    pause_known: bool

    def note_s(self, instrument: str, articulation: str) -> float:
        """Return the seconds that one more clean note will take."""
        near = self.by_articulation.get(articulation, self.overall_s)
        return self.own.get((instrument, articulation), near)


def learn_pace(costs: Iterable[Cost], pauses_s: Iterable[float]) -> Pace:
    """Return the pace of the takes so far.

    seconds a clean note = sum(duration_s) / sum(notes) * restarts, restarts = sum(notes) / sum(clean), 1 to 3

    Parameters
    ----------
    costs : iterable of Cost
        Takes without notes are left out.
    pauses_s : iterable of float
        From the end of a take to the start of the next by the recorder's clock; negative ones and breaks are
        left out.

    Returns
    -------
    Pace
        Where fewer than 6 notes were played that of the next wider group is used.
    """
    groups: dict[tuple[str, ...], list[Cost]] = defaultdict(list)
    for cost in costs:
        for key in ((cost.instrument, cost.articulation), (cost.articulation,), ()):
            groups[key].append(cost)
    paces = {key: _pace(own) for key, own in groups.items()}
    known = {key: pace for key, pace in paces.items() if pace is not None}
    pauses = [pause for pause in pauses_s if 0 <= pause <= LONGEST_PAUSE_S]
    return Pace(
        {(key[0], key[1]): pace for key, pace in known.items() if len(key) == 2},
        {key[0]: pace for key, pace in known.items() if len(key) == 1},
        known.get((), USUAL_S),
        median(pauses) if pauses else USUAL_PAUSE_S,
        bool(pauses),
    )


def _pace(costs: list[Cost]) -> float | None:
    usable = [cost for cost in costs if cost.notes]
    notes, clean = sum(cost.notes for cost in usable), sum(cost.clean for cost in usable)
    if notes < LEAST_NOTES:
        return None
    restarts = min(MOST_RESTARTS, notes / max(clean, 1))
    return sum(cost.duration_s for cost in usable) / notes * restarts
