"""Listings of the plan: pick-ups and notes to keep, in the form asked for.

In: values of ``sheets/pickups.py`` and ``sheets/best_set.py``. Out: text for stdout. The keys of the JSON are a
promise to other programs; a table is for eyes and shows less.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from typing import Any

from triage.cli.output import Form, cell_text, csv_text, json_text, number, table_text
from triage.judge.best_set_costs import BETWEEN_KEYS
from triage.judge.rest_reminder import WORDS
from triage.sheets.best_set import KeepGroup, KeepSet, KeptNote
from triage.sheets.pickups import Call, PickupList, mend_text, minutes, pickups_page

PICKUP = tuple(
    "instrument setup articulation dynamic pitch pitch_midi wanted "
    "clean missing tier value estimate_s reason takes".split()
)
LEAST_GAIN = 0.005
KEPT = tuple(
    "session take note instrument articulation dynamic pitch pitch_midi repetition start_s end_s "
    "chosen clean reject_probability cost own repeats below above next_take next_note next_costs".split()
)


def pickups_text(form: Form, found: PickupList) -> str:
    """Return what to record again, the most worthwhile call first."""
    if form is Form.html:
        return pickups_page(found)
    if form is Form.json:
        return json_text(_pickups(found))
    if form is Form.csv:
        return csv_text(("call", *PICKUP), _pickup_rows(found))
    title = f"{', '.join(found.sessions)}: {found.clean} of {found.wanted} notes of the plan clean"
    title += f", {found.missing} to record again, about {minutes(found.estimate_s)}" if found.missing else ""
    title += f", {found.waiting} wait for the engineer" if found.waiting else ""
    cells = (row for place, call in enumerate(found.calls, 1) for row in _pickup_cells(place, call, found.sessions))
    text = table_text(title, (">call", "players", "what", "pitch", ">times", ">about", "why"), cells)
    return text + "".join(f"{line}\n" for line in _remarks(found))


def keep_text(form: Form, found: KeepSet) -> str:
    """Return the notes to keep, what each costs and what the next best would cost more."""
    if form is Form.json:
        groups = [_group(group) for group in found.groups]
        return json_text({"sessions": found.sessions, "groups": groups, "warnings": found.warnings})
    if form is Form.csv:
        rows = (
            [getattr(note, name) for name in KEPT] + [note.measurements[m] for m in BETWEEN_KEYS]
            for note in found.kept
        )
        return csv_text((*KEPT, *BETWEEN_KEYS), rows)
    title = f"{', '.join(found.sessions)}: {len(found.kept)} notes to keep"
    columns = ("what", "pitch", ">rep", "take", ">note", ">cost", ">own", ">repeats", ">below", ">above", "next best")
    text = table_text(title, columns, (_kept_cells(note) for note in found.kept))
    lines = [_consistency(group) for group in found.groups]
    return text + "".join(f"{line}\n" for line in (*lines, *found.warnings))


def _pickups(found: PickupList) -> dict[str, Any]:
    whole = asdict(found)
    whole["loud"] = [asdict(one) | {"due": one.due} for one in found.loud]
    return whole | {"caution": WORDS}


def _pickup_rows(found: PickupList) -> Iterator[list[Any]]:
    for place, call in enumerate(found.calls, 1):
        for one in (pickup for own in call.passes for pickup in own.pickups):
            values = vars(one) | {"setup": call.setup, "takes": " ".join(one.takes)}
            yield [place, *(values[name] for name in PICKUP)]


def _pickup_cells(place: int, call: Call, sessions: Sequence[str]) -> list[list[str]]:
    """Return the rows of a call; the players are in the first one, the seats below."""
    rows: list[list[str]] = []
    seats = f"as in {call.setup}" if call.setup in sessions else call.setup  # where the sheet names none
    heads = [(str(place), call.instrument or "-"), ("", f"  {seats}")]
    for one in call.passes:
        for pickup in one.pickups:
            what = " ".join(word for word in (one.articulation, one.dynamic) if word)
            head = heads[len(rows)] if len(rows) < len(heads) else ("", "")
            rows.append([*head, what, pickup.pitch, str(pickup.missing), minutes(pickup.estimate_s), pickup.reason])
    return rows if len(rows) > 1 else [[rows[0][0], f"{call.instrument or '-'}, {seats}", *rows[0][2:]]]


def _remarks(found: PickupList) -> list[str]:
    lines = [f"for the engineer, not for the players: {mend_text(one)}" for one in found.for_engineer]
    lines += [f"check the sheet: {line}" for line in found.warnings]
    for one in found.loud:
        since = f", {minutes(one.since_rest_s)} since the last rest" if one.by_clock else ""
        lines.append(
            f"loud playing (f and above): {one.instrument or 'unnamed'}, {one.session}: "
            f"{minutes(one.loud_s)}{since}{'; time for a rest?' if one.due else ''}"
        )
    return [*lines, *([WORDS] if found.loud else []), *found.assumed]


def _group(group: KeepGroup) -> Mapping[str, Any]:
    values = {name: value for name, value in vars(group).items() if name not in ("kept", "candidate_notes")}
    return values | {"kept": [asdict(note) for note in group.kept]}


def _kept_cells(note: KeptNote) -> list[str]:
    other = "chosen by a person" if note.chosen else "no other"
    if note.next_costs is not None:
        other = f"{note.next_take} note {note.next_note}, {note.next_costs:.2f} more"
    costs = (note.cost, note.own, note.repeats, note.below, note.above)
    flag = "" if note.clean else "; not clean"
    head = [cell_text(note), note.pitch, str(note.repetition), note.take, str(note.note)]
    return [*head, *(number(cost, 2) for cost in costs), other + flag]


def _consistency(group: KeepGroup) -> str:
    line = f"{cell_text(group)}: {len(group.kept)} of {group.wanted} kept out of {group.candidates}, {group.method}: "
    if group.gain is None:
        return line + "all there are, nothing to choose from"
    if group.gain < LEAST_GAIN:
        return line + "as good as the first ones played"
    return line + f"{100 * group.gain:.0f} % better than the first ones played (by doubt and evenness)"
