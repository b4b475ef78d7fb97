"""The page of arrivals: what did not arrive as it should, and what is done about each of it, by whom and when."""

from datetime import UTC, datetime
from typing import Annotated, Any

from fastapi import APIRouter, Body, Depends, HTTPException, Request
from fastapi.responses import HTMLResponse

from triage.desk.access import AtDesk, Db, Me, WriteDb, change
from triage.desk.pages import Here, in_navigation, show
from triage.domain.arrivals import ACTIONS, ARRIVAL_KINDS, Action, ArrivalAction
from triage.domain.spot import in_short
from triage.store.arrival_actions import arrival_actions, record_action
from triage.store.arrivals import arrivals

router = APIRouter(include_in_schema=False)
Engineer = Annotated[AtDesk, Depends(change("mark-noise"))]
Text = Annotated[str | None, Body(max_length=1000)]
GROUPS = {
    "missing": ("missing tracks", "Announced by take sheet and microphones, not in the folder.", ("take", "mic")),
    "broken": ("broken files", "There, but not whole or not readable.", ("path", "why")),
    "unexpected": ("unexpected files", "In the folder, neither on the sheet nor named by the pattern.", ("path",)),
    "unlike": ("unlike the others", "Another format than the rest.", ("path", "what", "found", "expected")),
}
FITTING: dict[str, tuple[Action, ...]] = {
    "missing": ("fetched", "will-not-come", "ignore"),
    "broken": ("fetched", "will-not-come", "ignore"),
    "unexpected": ("belongs", "ignore"),
    "unlike": ("fetched", "ignore"),
}
in_navigation(4, "arrivals", "Arrivals")


@router.get("/s/{session_id}/arrivals")
def arrivals_page(request: Request, me: Me, db: Db, session: Here) -> HTMLResponse:
    """Show what did not arrive as it should, with the last action on each."""
    arrived, actions = arrivals(db, session.id), arrival_actions(db, session.id)
    entries: dict[str, list[dict[str, Any]]] = {kind: [] for kind in ARRIVAL_KINDS}
    for one in arrived.entries:
        why, details = in_short("truncated", f"{one.path}: {one.why}") if one.why else (None, None)
        entries[one.kind].append(vars(one) | {"action": actions.get(one.place), "why": why, "details": details})
    return show(
        request,
        "arrivals.html",
        me,
        session=session,
        arrived=arrived,
        entries=entries,
        groups=GROUPS,
        fitting=FITTING,
        words=ACTIONS,
    )


@router.post("/api/s/{session_id}/arrivals")
def act(
    me: Engineer,
    db: WriteDb,
    session: Here,
    action: Annotated[Action, Body()],
    path: Text = None,
    take: Text = None,
    mic: Text = None,
    of_take: Text = None,
    of_mic: Text = None,
) -> dict[str, Any]:
    """Record what this person makes of a file or track of the arrivals."""
    given = ArrivalAction(
        action, me.name, datetime.now(UTC), path or None, take or None, mic or None, of_take or None, of_mic or None
    )
    if given.place not in {one.place for one in arrivals(db, session.id).entries}:
        raise HTTPException(404, "no such file among the arrivals any more; load the page again")
    record_action(db, session.id, given)
    return {"done": given.words}
