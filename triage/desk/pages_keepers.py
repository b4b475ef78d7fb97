"""The page where the library is put together by ear: the notes that may fill each cell, chosen, locked and played.

A choice is kept like a verdict: only ever added to. The set is worked out anew after each, and the page follows. The
list to download holds clean notes alone; what is left out of them is said.
"""

from datetime import UTC, datetime
from typing import Annotated, Any

from fastapi import APIRouter, Body, Depends, Request
from fastapi.responses import HTMLResponse
from starlette.responses import JSONResponse

from triage.desk.access import AtDesk, Db, Me, WriteDb, change, desk_of
from triage.desk.pages import Here, in_navigation, show
from triage.domain.verdict import NoteChoice
from triage.store.choices import record_choice

router = APIRouter(include_in_schema=False)
Chooses = Annotated[AtDesk, Depends(change("choose"))]
Number = Annotated[int, Body(ge=1, le=2**31 - 1)]
KEPT = tuple("take note instrument articulation dynamic pitch pitch_midi repetition start_s end_s chosen".split())
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


@router.get("/s/{session_id}/keepers.json")
def keepers_list(me: Me, db: Db, session: Here) -> JSONResponse:
    """Give the clean notes to keep; a note that is not clean is counted, not listed."""
    # Loaded late: the costs bring scipy, which most desks never need.
    from triage.sheets.best_set import keep_set

    notes = keep_set(db, session.id).kept
    clean = [{name: getattr(one, name) for name in KEPT} for one in notes if one.clean]
    return JSONResponse({"session": session.name, "kept": clean, "left_out": len(notes) - len(clean)})
