"""The page where the library is put together by ear: the notes that may fill each cell, chosen, locked and played.

A choice is kept like a verdict: only ever added to. The set is worked out anew after each, and the page follows. What
is downloaded, markers and lists, is checked to hold clean notes alone; what is left out is named with the reason.
"""

from datetime import UTC, datetime
from typing import Annotated, Any
from urllib.parse import quote

from fastapi import APIRouter, Body, Depends, Path, Request, Response
from fastapi.responses import HTMLResponse

from triage.desk.access import AtDesk, Db, Me, WriteDb, change, desk_of
from triage.desk.pages import Here, in_navigation, show
from triage.domain.verdict import NoteChoice
from triage.store.choices import record_choice

router = APIRouter(include_in_schema=False)
Chooses = Annotated[AtDesk, Depends(change("choose"))]
Number = Annotated[int, Body(ge=1, le=2**31 - 1)]
KINDS = {"json": "application/json", "csv": "text/csv; charset=utf-8", "zip": "application/zip"}
in_navigation(8, "keepers", "Keepers")


@router.get("/s/{session_id}/keepers")
def keepers_page(request: Request, me: Me, db: Db, session: Here) -> HTMLResponse:
    """Show each cell with the notes that may fill it."""
    sheet = desk_of(request).background.sheet(db, "keepers", session.id)
    return show(request, "keepers.html", me, session=session, made=sheet, found=sheet.body)


@router.post("/api/s/{session_id}/keepers")
def choose(
    me: Chooses,
    db: WriteDb,
    session: Here,
    take: Annotated[str, Body(max_length=500)],
    note: Number,
    kept: Annotated[bool, Body()],
    repetition: Annotated[int | None, Body(ge=1, le=1000)] = None,
) -> dict[str, Any]:
    """Lock a note into its cell, or leave it free again."""
    record_choice(db, session.id, NoteChoice(take, note, kept, me.name, datetime.now(UTC), repetition))
    return {"take": take, "note": note, "kept": kept}


@router.get("/s/{session_id}/keepers.{form}")
def keepers_list(me: Me, db: Db, session: Here, form: Annotated[str, Path(pattern="^(json|csv|zip)$")]) -> Response:
    """Give the clean notes to keep as a list, or as a ZIP archive of lists and cue markers."""
    # Loaded late: the costs bring scipy, which most desks never need.
    from triage.sheets.best_set import keep_set
    from triage.transfer.keepers import csv_list, json_list, keepers_zip, kept_list

    found = keep_set(db, session.id)
    if form == "zip":
        body: str | bytes = keepers_zip(db, found)
    else:
        body = {"json": json_list, "csv": csv_list}[form](kept_list(db, found))
    name = quote(f"{session.name}-keepers.{form}")
    return Response(
        body, media_type=KINDS[form], headers={"Content-Disposition": f"attachment; filename*=UTF-8''{name}"}
    )
