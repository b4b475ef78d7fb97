"""The page of how even the keyboard is: Plotly's figures from the consistency report, each dot to be played.

The report takes seconds, so the page comes at once and asks for it; it is kept until takes or verdicts change.
Plotly's own script comes from its pip package, on this page alone.
"""

import gzip
import threading
from functools import lru_cache
from pathlib import Path
from typing import Annotated, Any

import plotly
from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse
from sqlalchemy import Connection
from starlette.responses import Response

from triage.desk.access import Db, Me
from triage.desk.pages import Here, show
from triage.errors import StoreError
from triage.sheets.consistency import consistency
from triage.sheets.consistency_figures import figures
from triage.sheets.consistency_values import ConsistencyReport
from triage.store.changes import all_changes, changes
from triage.store.stored import StoredSession

router = APIRouter(include_in_schema=False)
SCRIPT = Path(plotly.__file__).parent / "package_data" / "plotly.min.js"
SENTENCES = 12  # shown at once; the rest on request
_KEPT: dict[int | None, tuple[Any, dict[str, Any]]] = {}  # session (None: all) -> what it was made of, what was made
_ONE = threading.Lock()


@router.get("/s/{session_id}/consistency")
def consistency_page(
    request: Request, me: Me, session: Here, every: Annotated[bool, Query(alias="all")] = False
) -> HTMLResponse:
    """Show how even the notes are; a click on a dot, or Enter on it, plays that note."""
    return show(request, "evenness.html", me, session=session, every=every)


@router.get("/api/s/{session_id}/consistency")
def consistency_data(
    me: Me, db: Db, session: Here, every: Annotated[bool, Query(alias="all")] = False
) -> dict[str, Any]:
    """Return the report's sentences, strays and figures, of one session or of all."""
    of = None if every else session.id
    made_of = all_changes(db) if every else changes(db, session.id)
    with _ONE:  # one at a time: the second person to ask finds it made
        kept = _KEPT.get(of)
        if kept is None or kept[0] != made_of:
            kept = made_of, _report(db, None if every else session)
            _KEPT[of] = kept
    return kept[1]


@router.get("/script/plotly.js")
def plotly_script(request: Request) -> Response:
    """Give Plotly's script, packed where the browser can unpack it."""
    headers = {"Cache-Control": "private, max-age=86400", "Vary": "Accept-Encoding"}
    if "gzip" not in request.headers.get("accept-encoding", ""):
        return Response(SCRIPT.read_bytes(), media_type="text/javascript", headers=headers)
    return Response(_packed(), media_type="text/javascript", headers=headers | {"Content-Encoding": "gzip"})


@lru_cache(maxsize=1)
def _packed() -> bytes:
    return gzip.compress(SCRIPT.read_bytes(), 6)


def _report(db: Connection, session: StoredSession | None) -> dict[str, Any]:
    try:
        report = consistency(db, [session.name] if session else [])
    except StoreError as error:
        return {"empty": str(error), "sentences": [], "strays": [], "figures": {}}
    return {
        "sentences": report.sentences[:SENTENCES], "more": report.sentences[SENTENCES:],
        "strays": [_stray(report, one) for one in report.strays], "figures": figures(report),
    }  # fmt: skip


def _stray(report: ConsistencyReport, one: Any) -> dict[str, Any]:
    dot = report.dots[one.dot]
    cell = " ".join((dot.instrument, dot.articulation, dot.dynamic))
    return {"take_id": dot.take_id, "take": dot.take, "note": dot.note, "mic": dot.mic, "cell": cell, "why": one.why}
