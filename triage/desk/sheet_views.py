"""Sheets as pages show them: noise, pick-ups and consistency of a session as plain values, small enough for a page.

In: the store. Out, for JSON: {"noise": {...}}, {"pickups": {...}} or {"consistency": {...}, "consistency/0": …};
the first part is what the page shows, the others are the plots, each asked for by itself. What a session of 20,000
takes has too much of for a page is cut here, and the page says so.
"""

import re
from collections.abc import Callable
from typing import Any

from sqlalchemy import Connection

from triage.desk.keepers_view import keepers_parts
from triage.domain.code_key import code_key
from triage.domain.errors import StoreError
from triage.store.cached_sheets import ALL
from triage.store.progress import WHAT, tallies
from triage.store.takes import session_of, take_ids

# What a kept sheet depends on beside the store.
FORM = code_key("triage.desk.sheet_views", "triage.sheets", "triage.store", "triage.judge", "triage.domain")
PLAYED_IN = 4  # takes of a cell that are named: the last ones
SENTENCES, MORE, OUTLIERS = 12, 200, 200
SHARP = re.compile(r"\b([A-G])#(-?\d)")
Parts = dict[str, Any]


def progress_parts(db: Connection, session_id: int) -> Parts:
    """Return what the session's takes add up to, for the list of sessions."""
    return {WHAT: tallies(db, [session_id])[session_id]}


def noise_parts(db: Connection, session_id: int) -> Parts:
    """Return the noise sheet; of each group only its counts, its worst hit, its first and its last."""
    from triage.sheets.noise import noise_sheet

    sheet, ids = noise_sheet(db, session_id), take_ids(db, session_id)

    def hit(one: Any) -> dict[str, Any]:
        names = ("take", "start_s", "end_s", "mic", "mics", "note")
        return {name: getattr(one, name) for name in names} | {"take_id": ids[one.take]}

    groups = [
        {
            "line": one.line,
            "levels": one.levels,
            "key": one.group.key,
            "kind": one.group.kind,
            "audible": one.group.audible,
            "count": len(one.group.hits),
            "exposed": one.group.exposed,
            "worst": hit(one.worst),
            "first": hit(one.first),
            "last": hit(one.last),
        }
        for one in sheet.groups
    ]
    backgrounds = [
        {name: getattr(one, name) for name in ("mic", "takes", "level_dbfs", "a_dbfs", "db_a", "highest_take")}
        | {"rating": one.rating.curve if one.rating else None}
        for one in sheet.backgrounds
    ]
    harmless = [
        {"line": one.line, "key": one.key, "by": one.by, "on": f"{one.at:%Y-%m-%d}"} for one in sheet.harmless
    ]
    line = vars(sheet.timeline) | {
        name: [vars(one) for one in getattr(sheet.timeline, name)] for name in ("strips", "marks")
    }
    names = ("takes", "minutes", "hits", "audible", "silent", "counts", "mics", "to_fix", "calibrated")
    shown = {name: getattr(sheet, name) for name in names} | {"natural": [one.line for one in sheet.natural]}
    return {"noise": shown | {"groups": groups, "backgrounds": backgrounds, "harmless": harmless, "timeline": line}}


def pickups_parts(db: Connection, session_id: int) -> Parts:
    """Return the pick-ups; the takes that a cell was played in are the last few and how many more."""
    from triage.sheets.pickups import mend_text, minutes, pickup_list

    found, ids = pickup_list(db, session_id), take_ids(db, session_id)

    def row(one: Any) -> dict[str, Any]:
        names = ("pitch", "articulation", "dynamic", "missing")
        last = [{"name": take, "id": ids.get(take)} for take in one.takes[-PLAYED_IN:]]
        return {name: getattr(one, name) for name in names} | {
            "reason": one.reason.partition(": ")[2] or one.reason,  # the row itself says which cell
            "takes": last,
            "more": max(0, len(one.takes) - PLAYED_IN),
        }

    calls = [
        {
            "instrument": call.instrument,
            "setup": call.setup,
            "notes": call.notes,
            "time": minutes(call.estimate_s),
            "loud": minutes(call.loud.loud_s) if call.loud else None,
            "since_rest": minutes(call.loud.since_rest_s) if call.loud else None,
            "adds": minutes(call.adds_loud_s) if call.adds_loud_s >= 30 else None,
            "rest_due": bool(call.loud and call.loud.due),
            "rows": [row(pickup) for one in call.passes for pickup in one.pickups],
        }
        for call in found.calls
    ]
    names = ("doubt_bound", "cells", "cells_complete", "wanted", "clean", "missing", "waiting", "warnings", "assumed")
    shown = {name: getattr(found, name) for name in names}
    shown["for_engineer"] = [mend_text(one) for one in found.for_engineer]
    return {"pickups": shown | {"calls": calls, "time": minutes(found.estimate_s) if found.missing else "none"}}


def consistency_parts(db: Connection, session_id: int) -> Parts:
    """Return the report's sentences and outliers, and each plot as SVG; session 0 is all sessions together."""
    from triage.sheets.consistency import consistency
    from triage.sheets.consistency_figures import each_figure
    from triage.sheets.consistency_text import queue_text
    from triage.sheets.figure import svg, thinned

    session = None if session_id == ALL else session_of(db, session_id)
    try:
        report = consistency(db, [session.name] if session else [])
    except StoreError as error:
        return {
            "consistency": {"empty": str(error), "worst": [], "sentences": [], "more": [], "strays": [], "plots": []}
        }
    plots, parts = [], {}
    for n, (name, figure) in enumerate(each_figure(report)):
        thin, left_out = thinned(figure)
        plots.append({"name": name, "left_out": left_out})
        parts[f"consistency/{n}"] = {"svg": SHARP.sub("\\1♯\\2", svg(thin, name))}
    outliers = [
        _note(report.dots[one.dot]) | {"why": one.why, "queue": queue_text(report.dots[one.dot])}
        for one in report.strays[:OUTLIERS]
    ]
    # What the sentences call "listed below" is on paper in a table of its own, here among the rest.
    rest = [one.sentence for one in report.spreads if one.sentence not in report.sentences]
    leading, more = report.sentences[:SENTENCES], [*report.sentences[SENTENCES:], *rest][:MORE]
    shown = {
        "empty": "",
        "worst": [_finding(report, one) for one in report.worst],
        "sentences": [SHARP.sub("\\1♯\\2", one) for one in leading],
        "more": [SHARP.sub("\\1♯\\2", one) for one in more],
        "strays": outliers,
        "all_strays": len(report.strays),
        "plots": plots,
    }
    return {"consistency": shown, **parts}


def _finding(report: Any, one: Any) -> dict[str, Any]:
    words = {name: SHARP.sub("\\1♯\\2", getattr(one, name)) for name in ("what", "where", "audible", "do")}
    return words | {"dots": [_note(report.dots[row]) for row in one.dots]}


def _note(dot: Any) -> dict[str, Any]:
    cell = " ".join((dot.instrument, dot.articulation, dot.dynamic))
    return {"take_id": dot.take_id, "take": dot.take, "note": dot.note, "cell": cell}


SHEETS: dict[str, Callable[[Connection, int], Parts]] = {
    WHAT: progress_parts,
    "noise": noise_parts,
    "pickups": pickups_parts,
    "consistency": consistency_parts,
    "keepers": keepers_parts,
}
