"""The plan: which cells are to be filled, which notes fill them, what is missing and how much that matters.

In: rows of take sheets (``PlannedRow``) and notes as they were measured (``Played``), pitches as sounding MIDI. Out:
one ``CellCount`` a cell: how many repetitions are wanted, how many clean matching notes there are, what is wrong with
the others, and the value of recording it again (no unit; only compared).
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from triage.judge.clean_notes import (
    DOUBT_BOUND,
    UNDECIDED,
    Cell,
    Played,
    fault_of,
    is_merely_doubtful,
    waits_for_files,
)


@dataclass(frozen=True)
class PlannedRow:
    """One row of a take sheet; ``setup`` is the placing of players and microphones, ``order`` the day's."""

    take: str
    instrument: str
    articulation: str
    dynamic: str
    pitches: tuple[int, ...]
    repetitions: int = 1
    setup: str = ""
    order: int = 0
    recorded: bool = True


@dataclass(frozen=True)
class CellCount:
    """The state of a cell; ``faults`` holds the fault of each note that is not clean, in order of take and note."""

    cell: Cell
    wanted: int
    clean: int
    faults: tuple[str, ...]
    chance: float  # how many of the merely doubtful notes a producer would let pass, as expected number
    played: bool  # a take that was to hold it has been recorded
    setup: str = ""
    takes: tuple[str, ...] = field(default=())
    doubtful: int = 0
    waiting: int = 0  # notes that are clean as soon as a file of their take is mended

    @property
    def missing(self) -> int:
        """Repetitions to be played again: without a note that is clean, or will be once its files are mended."""
        return max(0, self.wanted - self.clean - self.waiting)

    @property
    def tier(self) -> str:
        """ "none": not one usable note; "few": some; "doubtful": enough, if the doubtful ones pass."""
        usable = self.clean + self.waiting + self.doubtful
        return "doubtful" if usable >= self.wanted else "few" if usable else "none"

    @property
    def value(self) -> float:
        """What recording it again is worth, see ``value_of``."""
        return value_of(self.wanted, self.clean + self.waiting, self.chance)


def value_of(wanted: int, clean: int, chance: float) -> float:
    """Return what it is worth to fill a cell.

    value = sum_k 1 / k^2 over its empty repetitions k, each less the chance that a doubtful note fills it anyway

    Parameters
    ----------
    wanted, clean : int
        Repetitions wanted, and those with a clean matching note.
    chance : float
        Expected number of doubtful notes that a producer would let pass; they fill the first empty repetitions.

    Returns
    -------
    float
        Without unit. A pitch without any usable note counts most, one more repetition little (common
        practice, no source).
    """
    value, left = 0.0, chance
    for k in range(clean + 1, wanted + 1):
        filled = min(1.0, left)
        value, left = value + (1.0 - filled) / k**2, left - filled
    return value


def count_cells(
    rows: Iterable[PlannedRow],
    notes: Iterable[Played],
    doubt_bound: float = DOUBT_BOUND,
    repetitions: int | None = None,
) -> list[CellCount]:
    """Return the state of every cell of the plan.

    wanted = the most that any one row asks for: a row that repeats a cell is a retake, no further repetition

    Parameters
    ----------
    rows : iterable of PlannedRow
        All take sheets; rows without pitches plan nothing.
    notes : iterable of Played
    doubt_bound : float
        See fault_of.
    repetitions : int or None
        Wanted of every cell, in place of the sheets' own numbers.

    Returns
    -------
    list of CellCount
        In order of cell. Notes of cells that no row names are left out.
    """
    wanted, of_cell = _wanted(rows, repetitions), defaultdict(list)
    for note in notes:
        if note.cell is not None:
            of_cell[note.cell].append(note)
    return [_count(cell, number, own, of_cell[cell], doubt_bound) for cell, (number, own) in sorted(wanted.items())]


def sheet_shift(rows: Sequence[tuple[Sequence[int], Sequence[int]]]) -> int:
    """Return by how many semitones an instrument sounds above its sheet (written pitch, another octave).

    The one shift under which every pitch that notes were put on is one that its row asks for; of several the one
    nearest to 0.

    Parameters
    ----------
    rows : sequence of (pitches on the sheet, pitches that the notes were put on)
        One pair a take.

    Returns
    -------
    int
        0 where nothing was put anywhere or no single shift fits.
    """
    fits: set[int] | None = None
    for sheet, put in rows:
        if sheet and put:
            asked, found = set(sheet), set(put)
            own = {min(found) - pitch for pitch in asked}
            own = {shift for shift in own if {pitch - shift for pitch in found} <= asked}
            fits = own if fits is None else fits & own
    return min(fits, key=lambda shift: (abs(shift), shift)) if fits else 0


def _wanted(rows: Iterable[PlannedRow], repetitions: int | None) -> dict[Cell, tuple[int, list[PlannedRow]]]:
    found: dict[Cell, tuple[int, list[PlannedRow]]] = {}
    for row in rows:
        for pitch, times in Counter(row.pitches).items():
            cell = Cell(row.instrument, row.articulation, row.dynamic, pitch)
            most, own = found.get(cell, (0, []))
            found[cell] = (repetitions or max(most, times * row.repetitions), [*own, row])
    return found


def _count(cell: Cell, wanted: int, rows: list[PlannedRow], notes: list[Played], doubt_bound: float) -> CellCount:
    notes = sorted(notes, key=lambda note: (note.take, note.number))
    judged = [(note, fault_of(note, doubt_bound)) for note in notes]
    clean = [note for note, fault in judged if fault is None]
    waiting = [note for note in notes if waits_for_files(note, doubt_bound)]
    doubtful = [note for note, fault in judged if fault is not None and is_merely_doubtful(note)]
    open_ = [note.doubt if note.doubt is not None and note.verdict not in UNDECIDED else 0.5 for note in doubtful]
    return CellCount(
        cell,
        wanted,
        len(clean),
        tuple(fault for _, fault in judged if fault is not None),
        sum(1.0 - doubt for doubt in open_),
        any(row.recorded for row in rows),
        _setup(rows, clean),
        tuple(dict.fromkeys(row.take for row in rows)),
        len(doubtful),
        len(waiting),
    )


def _setup(rows: list[PlannedRow], clean: list[Played]) -> str:
    """Return the seats of most of a cell's clean notes, so that new ones match; else those of its last row."""
    last = max(rows, key=lambda row: row.order).setup
    seen = Counter(note.setup for note in clean if note.setup)
    return max(seen, key=lambda setup: (seen[setup], setup == last, setup)) if seen else last
