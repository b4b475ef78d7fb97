"""What a hand-over brought, in the form asked for; the keys of the JSON are a promise to other programs."""

from dataclasses import asdict, fields
from typing import Any

from triage.cli.output import Form, csv_text, json_text, table_text
from triage.transfer.receive import STATES, Arrived, Received

ARRIVED = [field.name for field in fields(Arrived)]


def received_text(form: Form, found: Received) -> str:
    """Return what arrived whole, what is still coming, damaged or unannounced."""
    if form is Form.json:
        result: dict[str, Any] = {"folder": found.folder, "bag": found.bag, "complete": found.complete}
        result |= {"count": found.count(), "takes": [asdict(take) for take in found.takes]}
        return json_text(result | {"files": [asdict(file) for file in found.files], "notes": found.notes})
    if form is Form.csv:
        return csv_text(ARRIVED, ([getattr(file, name) for name in ARRIVED] for file in found.files))
    counts = found.count()
    title = f"{found.folder}: " + ", ".join(f"{counts[state]} {state}" for state in STATES)
    wrong = [file for file in found.files if file.state != "whole"]
    text = table_text(title, ("", "file", "take", "why"), map(_cells, wrong))
    takes = [take for take in found.takes if take.state != "whole"]
    rows = ([take.state, take.take, f"{take.whole} of {take.files} files whole"] for take in takes)
    text += table_text(f"{len(found.takes) - len(takes)} of {len(found.takes)} takes whole", ("", "take", ""), rows)
    return text + "".join(f"{line}\n" for line in found.notes)


def _cells(file: Arrived) -> list[str]:
    return [file.state, file.path, file.take or "-", file.why or ""]
