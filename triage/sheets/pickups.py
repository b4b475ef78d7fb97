"""Pick-ups: what to record again while the players are here, and the page of it for the stand.

The store goes in; out comes a ``PickupList``: player calls, the most worthwhile first, each with its passes
(articulation and dynamic) and in them the pitches, how often, why, and how long it will take. Times in seconds.
"""

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import Connection

from triage.domain.pitch import pitch_name
from triage.judge import rest_reminder as rest
from triage.judge.clean_notes import DOUBT_BOUND, FileFault, waits_for_files
from triage.judge.plan import CellCount, count_cells
from triage.judge.ranges import outside
from triage.judge.recording_pace import READY_S, Pace, learn_pace
from triage.sheets.html_page import page
from triage.sheets.plan_table import Planned, plan_of

CAUTION = rest.WORDS  # for the desk, which shows the same list
NAMED = 6  # takes that a line for the engineer names


@dataclass(frozen=True)
class PickUp:
    """One cell to record again: ``missing`` times, because of ``reason``; tier none, few or doubtful."""

    instrument: str
    articulation: str
    dynamic: str
    pitch_midi: int
    pitch: str
    wanted: int
    clean: int
    missing: int
    tier: str
    value: float
    estimate_s: float
    reason: str
    takes: tuple[str, ...]


@dataclass(frozen=True)
class Pass:
    """What can be played in one go: one articulation and dynamic, pitches from low to high."""

    articulation: str
    dynamic: str
    loud: bool
    pickups: tuple[PickUp, ...]
    notes: int
    estimate_s: float


@dataclass(frozen=True)
class Call:
    """One player or section called once, in one seat set-up."""

    instrument: str
    setup: str
    passes: tuple[Pass, ...]
    notes: int
    estimate_s: float
    value: float
    loud: rest.Loud | None  # what these players have played loud so far
    adds_loud_s: float


@dataclass(frozen=True)
class Mend:
    """What the engineer can put right without the players: a fault of files, in which takes, how many notes wait."""

    fault: str
    remedy: str
    takes: tuple[str, ...]
    notes: int


@dataclass(frozen=True)
class PickupList:
    """All pick-ups, how far the plan is filled, doubts about the sheets, loud playing so far, what was assumed.

    ``for_engineer`` is what no player can mend; the notes that wait for it are in ``waiting`` and not in ``missing``.
    """

    sessions: tuple[str, ...]
    doubt_bound: float
    calls: tuple[Call, ...]
    cells: int
    cells_complete: int
    wanted: int
    clean: int
    missing: int
    estimate_s: float
    warnings: tuple[str, ...]
    loud: tuple[rest.Loud, ...]
    assumed: tuple[str, ...]
    waiting: int = 0
    for_engineer: tuple[Mend, ...] = ()

    @property
    def pickups(self) -> tuple[PickUp, ...]:
        """Every pick-up in the order of the calls."""
        return tuple(pickup for call in self.calls for one in call.passes for pickup in one.pickups)


def pickup_list(
    db: Connection, session_id: int | None = None, doubt_bound: float = DOUBT_BOUND, repetitions: int | None = None
) -> PickupList:
    """Return what to record again of one session's plan, or of all sessions' so far."""
    planned = plan_of(db, session_id)
    counts = count_cells(planned.rows, planned.notes, doubt_bound, repetitions)
    pace = learn_pace(planned.costs(doubt_bound), planned.pauses_s)
    loud = tuple(rest.loud_playing(planned.on_clock))
    calls = _calls([count for count in counts if count.missing], pace, planned, loud)
    return PickupList(
        planned.sessions,
        doubt_bound,
        calls,
        len(counts),
        sum(count.clean >= count.wanted for count in counts),
        sum(count.wanted for count in counts),
        sum(min(count.clean, count.wanted) for count in counts),
        sum(count.missing for count in counts),
        sum(call.estimate_s for call in calls),
        tuple(_warnings(planned, counts)),
        loud,
        _assumed(planned, pace),
        sum(min(count.waiting, count.wanted - count.clean) for count in counts if count.clean < count.wanted),
        _for_engineer(planned, doubt_bound),
    )


def pickups_page(found: PickupList) -> str:
    """Return the page for the stand: large type, one call per page, on A4 and Letter."""
    return page(
        "pickups.html", found=found, caution=CAUTION, minutes=minutes, mend_text=mend_text, remind_s=rest.REMIND_S
    )


def minutes(seconds: float) -> str:
    """Return a time for people: "40 s", "6 min"."""
    return f"{10 * max(1, round(seconds / 10))} s" if seconds < 90 else f"{round(seconds / 60)} min"


def mend_text(one: Mend) -> str:
    """Return what the engineer is to do: "12 notes with close at 44100 Hz (T003, T007): convert it to 48000 Hz"."""
    more = f" and {len(one.takes) - NAMED} more" if len(one.takes) > NAMED else ""
    where = ", ".join(one.takes[:NAMED]) + more
    return f"{one.notes} {'note' if one.notes == 1 else 'notes'} {one.fault} ({where}): {one.remedy}"


def reason_of(count: CellCount) -> str:
    """Return why a cell is to be recorded again: "A4 ff: 0 of 3 clean; both with a creak"."""
    head = " ".join(part for part in (pitch_name(count.cell.pitch), count.cell.dynamic) if part)
    head = f"{head}: {count.clean} of {count.wanted} clean"
    if not count.faults:
        if not count.clean:
            return f"{head}; not played" if count.played else f"{head}; no take yet"
        return f"{head}; {count.missing} not played"
    kinds = Counter(count.faults).most_common()
    return f"{head}; {', '.join(_some(number, len(count.faults), count.clean, fault) for fault, number in kinds)}"


def _some(number: int, of: int, clean: int, fault: str) -> str:
    if clean:
        return f"{number} more {fault}"
    if number == of and number > 1:
        return f"both {fault}" if number == 2 else f"all {number} {fault}"
    return f"{'one' if number == 1 else number} {fault}"


def _for_engineer(planned: Planned, doubt_bound: float) -> tuple[Mend, ...]:
    """Return the faults of files, that for which most notes wait first."""
    waiting: dict[FileFault, list[str]] = defaultdict(list)
    for note in planned.notes:
        for fault in waits_for_files(note, doubt_bound) if note.cell is not None else ():
            waiting[fault].append(note.take)
    found = [
        Mend(fault.flaw, fault.remedy, tuple(dict.fromkeys(takes)), len(takes)) for fault, takes in waiting.items()
    ]
    return tuple(sorted(found, key=lambda one: (-one.notes, one.fault)))


def _calls(counts: Sequence[CellCount], pace: Pace, planned: Planned, loud: Sequence[rest.Loud]) -> tuple[Call, ...]:
    groups: dict[tuple[str, str], list[CellCount]] = defaultdict(list)
    for count in counts:
        groups[count.cell.instrument, count.setup].append(count)
    played = {one.instrument: one for one in loud if one.session == planned.sessions[-1]}
    calls = [_call(*key, own, pace, planned.sound_s, played.get(key[0])) for key, own in sorted(groups.items())]
    # Value per second: getting people ready costs the same for one note as for thirty.
    return tuple(sorted(calls, key=lambda call: (-call.value / call.estimate_s, call.instrument, call.setup)))


def _call(
    instrument: str,
    setup: str,
    counts: list[CellCount],
    pace: Pace,
    sound_s: dict[str, float],
    loud: rest.Loud | None,
) -> Call:
    groups: dict[tuple[str, str], list[CellCount]] = defaultdict(list)
    for count in counts:
        groups[count.cell.articulation, count.cell.dynamic].append(count)
    passes = [_pass(*key, own, pace) for key, own in groups.items()]
    passes.sort(key=lambda one: (-sum(p.value for p in one.pickups) / one.estimate_s, one.articulation, one.dynamic))
    seconds, value = sum(one.estimate_s for one in passes), sum(count.value for count in counts)
    adds_s = sum(one.notes * sound_s.get(one.articulation, 0.0) for one in passes if one.loud)
    notes = sum(one.notes for one in passes)
    return Call(instrument, setup, tuple(passes), notes, READY_S + seconds, value, loud, adds_s)


def _pass(articulation: str, dynamic: str, counts: list[CellCount], pace: Pace) -> Pass:
    note_s = pace.note_s(counts[0].cell.instrument, articulation)
    pickups = tuple(
        PickUp(
            *count.cell,
            pitch_name(count.cell.pitch),
            count.wanted,
            count.clean,
            count.missing,
            count.tier,
            count.value,
            count.missing * note_s,
            reason_of(count),
            count.takes,
        )
        for count in sorted(counts, key=lambda count: count.cell.pitch)
    )
    notes = sum(pickup.missing for pickup in pickups)
    return Pass(articulation, dynamic, rest.is_loud(dynamic), pickups, notes, pace.pause_s + notes * note_s)


def _warnings(planned: Planned, counts: Sequence[CellCount]) -> list[str]:
    out: dict[tuple[str, str], list[int]] = defaultdict(list)
    for count in counts:
        if side := outside(count.cell.instrument, count.cell.pitch):
            out[count.cell.instrument, side].append(count.cell.pitch)
    lines = [
        f"{instrument}: {', '.join(map(pitch_name, sorted(set(pitches))))} {side} the usual sounding range; an error "
        "on the sheet, or written pitch?"
        for (instrument, side), pitches in sorted(out.items())
    ]
    return [*planned.warnings, *lines]


def _assumed(planned: Planned, pace: Pace) -> tuple[str, ...]:
    clock = "by the recorders' clock" if pace.pause_known else "assumed, no recorder's clock was found"
    seats = "column `setup` of the take sheet" if planned.setups_named else "the session, no take sheet names any"
    return (
        f"seconds a note from the takes so far, gaps and restarts included; {minutes(pace.pause_s)} between passes "
        f"({clock}); {minutes(READY_S)} until players sit ready",
        f"seat set-up: {seats}",
        "repetitions wanted of a cell: the most that one row of a take sheet asks for",
    )
