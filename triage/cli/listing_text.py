"""Listings: what is shown of a session's queue, notes, hits and arrivals, in the form asked for.

In: values from the store. Out: text for stdout. The keys of the JSON are a promise to other programs; a table
is for eyes and shows less.
"""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from triage.cli.output import Form, cell_text, counted, csv_text, json_text, number, table_text
from triage.domain.arrivals import ARRIVAL_KINDS, ArrivalProblem, Arrivals
from triage.domain.hit import Hit
from triage.domain.kinds import label
from triage.domain.measurements import MEASUREMENTS
from triage.domain.pitch import pitch_name
from triage.domain.spot import Spot, in_short
from triage.store.stored import QueueEntry, StoredNote, StoredSession

if TYPE_CHECKING:  # what makes sheets is slow to load
    from triage.sheets.backgrounds import MicBackground
    from triage.sheets.noise import GroupLine, NoiseSheet

CELL = ("instrument", "articulation", "dynamic")
QUEUE = ("rank", "take", *CELL, "doubt", "listen_s", "duration_s", "verdict")
SPOT = ("start_s", "end_s", "note", "kind", "doubt", "mic", "found", "expected", "unit", "why")
NOTE = ("take", "note", *CELL, "start_s", "end_s", "ring_end_s", "pitch_midi", "sheet_midi")
NOTE_NUMBERS = (
    ("cents", 1, ""),
    ("attack_s", 3, "s"),
    ("length_s", 3, "s"),
    ("level_dbfs", 1, "dBFS"),
    ("centroid_hz", 0, "Hz"),
    ("doubt", 2, ""),
)
SCORES = ("doubt", "reject_probability", "outlier")
HIT = tuple("take kind start_s end_s mic mics level_dbfs over_floor_db exposed note group harmless".split())
HIT += ("second_mic", "natural", "usual_db", "hz", "found_kind")
NATURAL = ("instrument", "kind", "count", "usual_db", "outstanding", "unwanted")
FLOOR = tuple("mic level_dbfs highest_dbfs highest_take a_dbfs a_highest_dbfs a_highest_take db_a change_db".split())
GROUP = ("takes", "audible", "exposed", "low_dbfs", "high_dbfs")
OCTAVES = ("31.5", "63", "125", "250", "500", "1000", "2000", "4000", "8000", "16000")
ARRIVAL = ("kind", "path", "take", "mic", "what", "found", "expected", "why")
ARRIVAL_KEYS = {
    "missing": ("take", "mic"),
    "broken": ("path", "why"),
    "unlike": ("path", "what", "found", "expected"),
}
UNLIKE = {
    "length_s": "duration {0} s; the take's other files {1} s",
    "sample_rate_hz": "sample rate {0} Hz; expected {1} Hz",
    "bit_depth": "{0} bits; most files {1} bits",
    "channels": "{0} channels; expected {1}",
}
REASONS = 3  # spots in a row of the table


def queue_text(form: Form, session: StoredSession, entries: Sequence[QueueEntry], total: int | None = None) -> str:
    """Return the ranked queue; ``total`` is its length where ``entries`` are only its head."""
    if form is Form.json:
        takes = [_keys(entry, QUEUE) | {"spots": [_keys(spot, SPOT) for spot in entry.spots]} for entry in entries]
        return json_text({"session": session.name, "model": session.model, "takes": takes})
    if form is Form.csv:
        header = (*QUEUE, "problem", "why", "spots", *(f"spot_{name}" for name in SPOT if name != "why"))
        return csv_text(header, (_queue_row(entry) for entry in entries))
    head = f"first {len(entries)} of " if total is not None and len(entries) < total else ""
    count = head + counted(len(entries) if total is None else total, "take")
    title = f"{session.name}: {count}, judged by {session.model or 'nothing yet'}"
    columns = (">rank", ">doubt", "take", "cell", ">listen", "why")
    return table_text(title, columns, (_queue_cells(entry) for entry in entries))


def notes_text(form: Form, session: StoredSession, notes: Sequence[StoredNote]) -> str:
    """Return every note with its measurements; the table shows those that most people ask for."""
    rows = (_note_values(note) for note in notes)
    if form is Form.json:
        listed = [row | {"errors": dict(note.errors)} for row, note in zip(rows, notes, strict=True)]
        return json_text({"session": session.name, "notes": listed})
    if form is Form.csv:
        header = (*NOTE, *MEASUREMENTS, *SCORES)
        return csv_text(header, (list(row.values()) for row in rows))
    columns = ("take", ">note", ">start", "pitch", ">cents", ">attack", ">length", ">level", ">centroid", ">doubt")
    title = f"{session.name}: {counted(len(notes), 'note')}"
    return table_text(title, columns, (_note_cells(row) for row in rows))


def hits_text(
    form: Form,
    session: StoredSession,
    hits: Sequence[Hit],
    counts: tuple[dict[str, int], dict[str, int]],
    sheet: "NoiseSheet",
) -> str:
    """Return the noise hits and their groups, how many each microphone and kind has, and the backgrounds."""
    by_mic, by_kind = counts
    if form is Form.json:
        listed: dict[str, Any] = {"session": session.name, "hits": [_keys(hit, HIT) for hit in hits]}
        listed |= {"by_mic": by_mic, "by_kind": by_kind, "floor": [_floor(one) for one in _measured(sheet)]}
        listed |= {"groups": [_group(line) for line in sheet.groups], "silent": sheet.silent}
        return json_text(listed | {"natural": [_keys(one, NATURAL) for one in sheet.natural]})
    if form is Form.csv:
        rows = (_keys(hit, HIT) | {"mics": "; ".join(hit.mics)} for hit in hits)
        return csv_text(HIT, (list(row.values()) for row in rows))
    title = f"{session.name}: {counted(len(hits), 'noise hit')}"
    columns = ("take", ">start", ">end", "kind", ">level", ">over floor", ">audible", ">note", "loudest in")
    text = table_text(title, columns, (_hit_cells(hit) for hit in hits))
    if sheet.groups:
        names = (">exposed", ">level", "group", "what")
        text += table_text("groups, the worst first", names, (_group_cells(line) for line in sheet.groups))
    text += "".join(f"{what}: {_shares(counted)}\n" for what, counted in (("mics", by_mic), ("kinds", by_kind)))
    text += "".join(f"background {_background_text(one)}\n" for one in _measured(sheet))
    text += "".join(f"no fault: {one.line}\n" for one in sheet.natural)
    if sheet.silent and not any(hit.harmless for hit in hits):
        text += f"{counted(sheet.silent, 'hit')} called harmless not listed; --all lists them\n"
    return text


def arrivals_text(form: Form, session: StoredSession, arrived: Arrivals) -> str:
    """Return what did not arrive as it should."""
    if form is Form.json:
        result: dict[str, Any] = {"session": session.name}
        result |= {kind: _arrivals_of(kind, arrived.entries) for kind in ARRIVAL_KINDS}
        return json_text(result | {"complete": arrived.complete})
    if form is Form.csv:
        return csv_text(ARRIVAL, (list(_keys(entry, ARRIVAL).values()) for entry in arrived.entries))
    title = f"{session.name}: {arrived.complete} complete, {len(arrived.entries)} not as they should be"
    text = table_text(title, ("", "what", "why"), map(_arrival_cells, _joined_by_take(arrived.entries)))
    return text + "".join(f"{line}\n" for line in arrived.problems)


def _keys(record: Any, names: Sequence[str]) -> dict[str, Any]:
    return {name: getattr(record, name) for name in names}


def _queue_row(entry: QueueEntry) -> list[Any]:
    top = [getattr(entry.spots[0], name) if entry.spots else None for name in SPOT if name != "why"]
    why = "; ".join(spot.why for spot in entry.spots)
    return [*_keys(entry, QUEUE).values(), entry.problem, why, len(entry.spots), *top]


def _queue_cells(entry: QueueEntry) -> list[str]:
    lines = [f"verdict: {entry.verdict}"] if entry.verdict else []
    lines += [entry.problem] if entry.problem else []
    lines += [_reason(spot) for spot in entry.spots[:REASONS]]
    if (more := len(entry.spots) - REASONS) > 0:
        lines.append(f"and {more} more")
    listen, doubt = number(entry.listen_s or None, 1, "s"), number(entry.doubt, 2)
    return [str(entry.rank), doubt, entry.take, cell_text(entry), listen, "\n".join(lines)]


def _reason(spot: Spot) -> str:
    note = "" if spot.note is None else f" note {spot.note}"
    return f"{spot.start_s:.1f} s{note}: {in_short(spot.kind, spot.why)[0]}"


def _note_values(note: StoredNote) -> dict[str, Any]:
    values = {name: note.number if name == "note" else getattr(note, name) for name in NOTE}
    return values | {name: note.measurements[name] for name in MEASUREMENTS} | _keys(note, SCORES)


def _note_cells(row: dict[str, Any]) -> list[str]:
    pitch = "-" if row["pitch_midi"] is None else pitch_name(row["pitch_midi"])
    head = [row["take"], str(row["note"]), number(row["start_s"], 2, "s"), pitch]
    return head + [number(row[name], places, unit) for name, places, unit in NOTE_NUMBERS]


def _hit_cells(hit: Hit) -> list[str]:
    others = [mic for mic in hit.mics if mic != hit.mic]
    near = f"{hit.mic} or {hit.second_mic}" if hit.second_mic else hit.mic
    mics = near + (f", also {', '.join(others)}" if others else "")
    times = [number(at_s, 2, "s") for at_s in (hit.start_s, hit.end_s)]
    levels = [number(hit.level_dbfs, 1, "dBFS"), number(hit.over_floor_db, 1, "dB"), number(hit.exposed, 2)]
    kind = label(hit.own_kind) if hit.natural else hit.kind
    return [hit.take, *times, kind, *levels, str(hit.note or "-"), mics + ("; harmless" if hit.harmless else "")]


def _shares(counted: dict[str, int]) -> str:
    return ", ".join(f"{name} {n}" for name, n in counted.items()) or "-"


def _measured(sheet: "NoiseSheet") -> "list[MicBackground]":
    return [one for one in sheet.backgrounds if one.level_dbfs is not None]


def _floor(one: "MicBackground") -> dict[str, Any]:
    """Return a microphone's usual background (median of its takes), where it was highest, and its noise rating."""
    octaves = dict(zip(OCTAVES, one.octaves_dbfs, strict=True)) if one.octaves_dbfs else None
    nr, nr_hz = (one.rating.nr, one.rating.band_hz) if one.rating else (None, None)
    return _keys(one, FLOOR) | {"octaves_dbfs": octaves, "nr": nr, "nr_hz": nr_hz}


def _background_text(one: "MicBackground") -> str:
    weighted = f", {number(one.a_dbfs, 1)} A-weighted" if one.a_dbfs is not None else ""
    rated = f", {number(one.db_a, 0, 'dB(A)')}" if one.db_a is not None else ""
    rated += f", NR {one.rating.curve}" if one.rating else ""
    return f"{one.mic}: {number(one.level_dbfs, 1, 'dBFS')}{weighted}{rated}"


def _group(line: "GroupLine") -> dict[str, Any]:
    found = {"group": line.group.key, "line": line.line, **_keys(line.group, ("mic", "kind", "rhythm", "period_s"))}
    found |= {"hits": len(line.group.hits), **_keys(line.group, GROUP)}
    return found | {name: _keys(getattr(line, name), ("take", "start_s")) for name in ("worst", "first", "last")}


def _group_cells(line: "GroupLine") -> list[str]:
    return [number(line.group.exposed, 2), line.levels or "-", line.group.key, line.line]


def _arrivals_of(kind: str, entries: Sequence[ArrivalProblem]) -> list[Any]:
    chosen = [entry for entry in entries if entry.kind == kind]
    if kind == "unexpected":
        return [entry.path for entry in chosen]
    return [_keys(entry, ARRIVAL_KEYS[kind]) for entry in chosen]


def _joined_by_take(entries: Sequence[ArrivalProblem]) -> Iterable[ArrivalProblem]:
    """Yield the entries with a take's missing microphones in one, which name them all."""
    missing: dict[str | None, list[str]] = {}
    for entry in entries:
        if entry.kind == "missing":
            missing.setdefault(entry.take, []).append(entry.mic or "all")
    for entry in entries:
        if entry.kind != "missing":
            yield entry
        elif mics := missing.pop(entry.take, None):
            yield replace(entry, mic=", ".join(mics))


def _arrival_cells(entry: ArrivalProblem) -> list[str]:
    what = entry.path or f"take {entry.take}, mic {entry.mic}"
    why = entry.why or ""
    if entry.what:
        why = UNLIKE.get(entry.what, entry.what + " {0}; expected {1}").format(entry.found, entry.expected)
    return [entry.kind, what, why]
