"""The keepers as the desk shows them: each cell of the plan with the notes that may fill it, as plain values."""

from collections import defaultdict
from typing import Any

from sqlalchemy import Connection

from triage.domain.pitch import pitch_name
from triage.store.takes import take_ids

Parts = dict[str, Any]
GROUPS, CELLS = 60, 4000  # on a page
CANDIDATES = 12  # of a cell: the kept ones and the cheapest others


def keepers_parts(db: Connection, session_id: int) -> Parts:
    """Return the groups of a session's plan with their cells in order of pitch, each with its candidates."""
    from triage.sheets.best_set import keep_set

    found, ids = keep_set(db, session_id), take_ids(db, session_id)
    groups = []
    for group in found.groups[:GROUPS]:
        cells: dict[int, list[dict[str, Any]]] = defaultdict(list)
        for one in group.candidate_notes:
            names = ("take", "note", "doubt", "outlier", "fault", "repetition", "chosen", "costs")
            cells[one.pitch_midi].append({name: getattr(one, name) for name in names} | {"take_id": ids[one.take]})
        about = {name: getattr(group, name) for name in ("instrument", "articulation", "dynamic", "wanted", "gain")}
        shown = [
            {"pitch": pitch_name(pitch), "of": len(own), "notes": own[:CANDIDATES]} for pitch, own in cells.items()
        ]
        clean = sum(note.clean for note in group.kept)
        groups.append(about | {"kept": len(group.kept), "clean": clean, "cells": shown[:CELLS]})
    return {"keepers": {"groups": groups, "warnings": list(found.warnings)}}
