"""Clean notes: what keeps a note from filling a cell of the plan. One rule for everybody who counts clean notes.

In: one note and what is known of it (``Played``), pitches as sounding MIDI. Out: in a few words what is wrong with
it, or nothing. A note is clean where it stands at its pitch of the sheet, no file of its take is missing or faulty,
nobody rejected it, and the judge's doubt, the same that ranks the queue, is under a bound. A person's accept
overrules the doubt and a fault found in a file, but moves no note to another pitch and brings no missing file.
"""

from dataclasses import dataclass
from typing import NamedTuple

from triage.domain.kinds import family, flaw, kind_named, label

DOUBT_BOUND = 0.2  # a retake costs seconds now and a day later: better one too many; common practice, no source
UNDECIDED = {"unsure": "left unsure", "disputed": "disputed"}  # verdicts that settle nothing


class Cell(NamedTuple):
    """What is to be recorded: instrument, articulation, dynamic, pitch (sounding MIDI)."""

    instrument: str
    articulation: str
    dynamic: str
    pitch: int


@dataclass(frozen=True)
class FileFault:
    """What is wrong with a take's files: ``flaw`` as a note has it ("without room"), ``remedy`` what mends it.

    ``absent``: a recording is not there at all, so that no accept can stand for it.
    """

    flaw: str
    remedy: str
    absent: bool = False


@dataclass(frozen=True)
class Played:
    """One note and what is known of it.

    ``pitch`` is the sheet's pitch that it stands for, None for an extra note; ``matches`` None where no pitch could
    be measured; ``doubt`` the judge's, the greatest of the note's own and of the findings at it and its take, and
    ``kind`` what for; ``verdict`` what stands on it (accept, reject, unsure, disputed); ``lost`` what of its take
    will never come, in words.
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
    files: tuple[FileFault, ...] = ()
    lost: str = ""
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
    return _players_fault(note, doubt_bound) or next((fault.flaw for fault in files_open(note)), None)


def waits_for_files(note: Played, doubt_bound: float = DOUBT_BOUND) -> tuple[FileFault, ...]:
    """Return what mends a note that nothing but its files keeps from being clean: no player need play it again."""
    return () if _players_fault(note, doubt_bound) else files_open(note)


def files_open(note: Played) -> tuple[FileFault, ...]:
    """Return the faults of files that stand against a note: an accept overrules those that can be heard past."""
    return tuple(fault for fault in note.files if fault.absent or note.verdict != "accept")


def is_merely_doubtful(note: Played) -> bool:
    """Tell whether a note that is not clean may still pass: nothing but its doubt is against it."""
    return note.matches is not False and note.verdict in (None, *UNDECIDED) and not note.files and not note.lost


def _players_fault(note: Played, doubt_bound: float) -> str | None:
    """Return what only playing the note again can put right."""
    if note.matches is False:
        return "at another pitch"
    if note.lost:
        return note.lost
    if note.verdict == "accept":
        return None
    if note.verdict == "reject":
        if kind_named(note.reason).mended_by and note.files:
            return None
        return f"rejected: {label(note.reason)}" if note.reason else "rejected"
    if note.verdict in UNDECIDED:
        return UNDECIDED[note.verdict]
    return _doubtful(note, doubt_bound)


def _doubtful(note: Played, doubt_bound: float) -> str | None:
    if note.doubt is not None and note.doubt < doubt_bound:
        return None
    if not note.kind:
        return "doubtful"
    return f"doubtful in {kind_named(note.kind).words}" if family(note.kind) == "performance" else flaw(note.kind)
