"""Clean notes: what keeps a note from filling a cell of the plan.

In: one note and what is known of it (``Played``), pitches as sounding MIDI. Out: in a few words what is wrong with
it, or nothing. A note is clean where it stands at its pitch of the sheet, nobody rejected it, no noise is audible
at it, no microphone failed, and its doubt is under a bound. A person's accept overrules all but another pitch.
"""

from dataclasses import dataclass
from typing import NamedTuple

from triage.domain.kinds import flaw, kind_named, label

DOUBT_BOUND = 0.2  # a retake costs seconds now and a day later: better one too many; common practice, no source
EXPOSED_BOUND = 0.5  # of a noise hit: 0 masked, 1 fully audible; as likely audible as not
UNDECIDED = {"unsure": "left unsure", "disputed": "disputed"}  # verdicts that settle nothing


class Cell(NamedTuple):
    """What is to be recorded: instrument, articulation, dynamic, pitch (sounding MIDI)."""

    instrument: str
    articulation: str
    dynamic: str
    pitch: int


@dataclass(frozen=True)
class Played:
    """One note and what is known of it.

    ``pitch`` is the sheet's pitch that it stands for, None for an extra note; ``matches`` None where no pitch could
    be measured; ``verdict`` what stands on it (accept, reject, unsure, disputed); ``noises`` kinds of the exposed
    noise hits at it, ``failures`` those of technical faults; ``kind`` of its most doubtful spot.
    """

    take: str
    number: int
    instrument: str
    articulation: str
    dynamic: str
    pitch: int | None
    matches: bool | None = True
    doubt: float | None = None
    kind: str = ""
    verdict: str | None = None
    reason: str = ""
    noises: tuple[str, ...] = ()
    failures: tuple[str, ...] = ()
    setup: str = ""

    @property
    def cell(self) -> Cell | None:
        """The cell that it was played for."""
        return None if self.pitch is None else Cell(self.instrument, self.articulation, self.dynamic, self.pitch)


def fault_of(note: Played, doubt_bound: float = DOUBT_BOUND) -> str | None:
    """Return in a few words why a note is not clean, or None where it is.

    Parameters
    ----------
    note : Played
    doubt_bound : float
        A doubt of this or more is one.

    Returns
    -------
    str or None
        To be put behind a number of notes: "with a creak", "at another pitch".
    """
    if note.matches is False:
        return "at another pitch"
    if note.verdict == "accept":
        return None
    if note.verdict == "reject":
        return f"rejected: {label(note.reason)}" if note.reason else "rejected"
    if note.failures:
        return flaw(note.failures[0])
    if note.noises:
        return flaw(note.noises[0])
    if note.matches is None:
        return "without a clear pitch"
    if note.verdict in UNDECIDED:
        return UNDECIDED[note.verdict]
    return _doubtful(note, doubt_bound)


def is_merely_doubtful(note: Played) -> bool:
    """Tell whether a note that is not clean may still pass: nothing but its doubt is against it."""
    return note.matches is True and note.verdict in (None, *UNDECIDED) and not note.failures and not note.noises


def _doubtful(note: Played, doubt_bound: float) -> str | None:
    if note.doubt is not None and note.doubt < doubt_bound:
        return None
    return f"doubtful in {kind_named(note.kind).words}" if note.kind else "doubtful"
