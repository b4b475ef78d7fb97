"""Minutes of loud playing, for a reminder to rest; it counts, it does not advise.

In: takes with their dynamic, sounding seconds and time on the clock. Out: one ``Loud`` a session and instrument:
minutes of loud sound in all and since the last rest. Working-time agreements and licensed practice decide.
"""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

# Loud is f and more; pf and fp begin or end loud and are counted too.
LOUD = frozenset({"f", "ff", "fff", "ffff", "sf", "sfz", "sffz", "fz", "fp", "pf", "rf", "rfz"})
REST_S = 600.0  # a break in the recording this long counts as a rest; common practice, no source
REMIND_S = 600.0  # so much loud sound since the last rest and the reminder is due; common practice, no source
WORDS = "This is a reminder, not medical advice; working-time agreements and licensed practice decide."


@dataclass(frozen=True)
class TakeOnClock:
    """One take: how long notes sounded in it, and when it began, None where no recorder noted it."""

    session: str
    instrument: str
    dynamic: str
    sounding_s: float
    duration_s: float
    began: datetime | None = None


@dataclass(frozen=True)
class Loud:
    """Loud playing of one instrument in one session; ``by_clock`` where rests are known from the clock."""

    session: str
    instrument: str
    loud_s: float
    since_rest_s: float
    takes: int
    by_clock: bool

    @property
    def due(self) -> bool:
        """Whether a reminder is due."""
        return self.since_rest_s >= REMIND_S


def is_loud(dynamic: str) -> bool:
    """Tell whether a dynamic is forte or more.

    Parameters
    ----------
    dynamic : str
        As on the take sheet.

    Returns
    -------
    bool
        False for a word that is no dynamic: nobody knows how loud "layer 3" is.
    """
    return dynamic.strip().lower() in LOUD or dynamic.strip().lower() in ("forte", "fortissimo", "loud")


def loud_playing(takes: Iterable[TakeOnClock]) -> list[Loud]:
    """Return the minutes of loud playing of every session and instrument.

    since_rest_s = sounding seconds of the loud takes behind the last gap of REST_S between any two takes of the
    instrument; without a clock, since the session began.

    Parameters
    ----------
    takes : iterable of TakeOnClock
        In the order recorded where there is no clock.

    Returns
    -------
    list of Loud
        In order of session and instrument; those without any loud take are left out.
    """
    groups: dict[tuple[str, str], list[TakeOnClock]] = defaultdict(list)
    for take in takes:
        groups[take.session, take.instrument].append(take)
    found = []
    for (session, instrument), own in sorted(groups.items()):
        loud = [take for take in own if is_loud(take.dynamic)]
        if loud:
            by_clock = all(take.began is not None for take in own)
            since = _since_rest(own) if by_clock else own
            since_s = sum(take.sounding_s for take in since if is_loud(take.dynamic))
            total_s = sum(take.sounding_s for take in loud)
            found.append(Loud(session, instrument, total_s, since_s, len(loud), by_clock))
    return found


def _since_rest(takes: Sequence[TakeOnClock]) -> list[TakeOnClock]:
    ordered = sorted((take.began, place, take) for place, take in enumerate(takes) if take.began is not None)
    since: list[TakeOnClock] = []
    until: datetime | None = None
    for began, _, take in ordered:
        if until is not None and (began - until).total_seconds() >= REST_S:
            since = []
        since.append(take)
        ended = began + timedelta(seconds=take.duration_s)
        until = ended if until is None else max(until, ended)
    return since
