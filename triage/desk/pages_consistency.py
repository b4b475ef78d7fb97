"""The page of how consistent the keyboard is: sentences, outliers and plots, each dot to be played.

The report takes seconds, so it is kept; the page comes at once and asks for it, then for one plot at a time.
"""

from typing import Annotated, Any

from fastapi import APIRouter, HTTPException, Query, Request
from fastapi.responses import HTMLResponse

from triage.desk.access import Db, Me, desk_of
from triage.desk.pages import Here, in_navigation, show
from triage.store.cached_sheets import ALL

router = APIRouter(include_in_schema=False)
Every = Annotated[bool, Query(alias="all")]
in_navigation(6, "consistency", "Consistency")


@router.get("/s/{session_id}/consistency")
def consistency_page(request: Request, me: Me, session: Here, every: Every = False) -> HTMLResponse:
    """Show how consistent the notes are; a click on a dot, or Enter on it, plays that note."""
    return show(request, "consistency.html", me, session=session, every=every)


@router.get("/api/s/{session_id}/consistency")
def consistency_data(request: Request, me: Me, db: Db, session: Here, every: Every = False) -> dict[str, Any]:
    """Return the report's sentences, outliers and names of plots, of one session or of all; null until it is made."""
    sheet = desk_of(request).background.sheet(db, "consistency", ALL if every else session.id)
    return {"holds": sheet.holds, "made_at": sheet.made_at, "report": sheet.body}


@router.get("/api/s/{session_id}/consistency/{plot}")
def consistency_plot(
    request: Request, me: Me, db: Db, session: Here, plot: int, every: Every = False
) -> dict[str, Any]:
    """Return one plot as SVG, by its place among the names."""
    sheet = desk_of(request).background.sheet(db, "consistency", ALL if every else session.id, str(plot))
    if sheet.body is None:
        raise HTTPException(404, f"no plot {plot}; load the page again")
    found: dict[str, Any] = sheet.body
    return found
