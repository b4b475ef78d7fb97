"""Natural sounds of playing: how often each player's breath, keys or bow are heard, and how loud against the notes.

In: a session's hits and takes. Out: plain values for listings and pages. They are no faults; what stands out among
them, or is where none is wanted, is listed with the noises.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from triage.domain.hit import Hit
from triage.domain.kinds import label


@dataclass(frozen=True)
class NaturalSound:
    """One kind of sound by one player: how many, how loud against the notes usually, how many are findings."""

    instrument: str
    kind: str
    count: int
    usual_db: float | None
    outstanding: int
    unwanted: int = 0  # in takes that are to be without them

    @property
    def line(self) -> str:
        """The same in words."""
        level = "" if self.usual_db is None else f", usually {self.usual_db:+.0f} dB to the note"
        more = f"; {self.outstanding} much louder" if self.outstanding else ""
        more += f"; {self.unwanted} where none is wanted" if self.unwanted else ""
        times = "once" if self.count == 1 else f"{self.count} times"
        return f"{self.instrument or 'instrument unknown'}: {label(self.kind)}, {times}{level}{more}"


def natural_sounds(
    hits: Sequence[Hit], instrument_of: Mapping[str, str | None], without: Collection[str] = ()
) -> tuple[NaturalSound, ...]:
    """Return each player's natural sounds, the most frequent first; hits are all of the session, usual ones too.

    ``without`` names the takes that are to be without them.
    """
    found: dict[tuple[str, str], list[Hit]] = {}
    for hit in hits:
        if hit.natural and hit.found_kind is None:
            found.setdefault((instrument_of.get(hit.take) or "", hit.natural), []).append(hit)
    rows = [
        NaturalSound(
            instrument,
            kind,
            len(own),
            _usual(own),
            sum(not hit.usual for hit in own if hit.take not in without),
            sum(not hit.usual for hit in own if hit.take in without),
        )
        for (instrument, kind), own in found.items()
    ]
    return tuple(sorted(rows, key=lambda one: (-one.count, one.instrument, one.kind)))


def _usual(own: Sequence[Hit]) -> float | None:
    known = [hit.usual_db for hit in own if hit.usual_db is not None]
    return float(np.median(known)) if known else None
