"""The pages made from sheets: the noise sheet, and what to record again; both a part at a time."""

from dataclasses import dataclass
from typing import Annotated, Any
from urllib.parse import quote

from fastapi import APIRouter, Body, Depends, Query, Request
from fastapi.responses import HTMLResponse

from triage.desk.access import AtDesk, Db, Me, change, desk_of
from triage.desk.pages import Here, in_navigation, show
from triage.domain.kinds import NOISES, label
from triage.sheets.noise import clock
from triage.sheets.pickups import CAUTION

router = APIRouter(include_in_schema=False)
Engineer = Annotated[AtDesk, Depends(change("mark-noise"))]
First = Annotated[int, Query(alias="from", ge=0, le=1_000_000)]
GROUPS, ROWS = 30, 200  # on a page: of noises, of cells to record again
AROUND_S, LONGEST_S = 0.8, 4.0  # heard and seen before a hit and after its start


@dataclass(frozen=True)
class Excerpt:
    """Where to hear and see a hit: addresses of its sound and spectrogram, and the segment that they show."""

    sound: str
    picture: str
    start_s: float
    end_s: float


in_navigation(5, "noise", "Noise")
in_navigation(7, "pickups", "Pick-ups")


@router.get("/s/{session_id}/noise")
def noise_page(request: Request, me: Me, db: Db, session: Here, first: First = 0) -> HTMLResponse:
    """Show the noise sheet, each group's worst hit to be heard and seen."""
    sheet = desk_of(request).background.sheet(db, "noise", session.id)
    return show(
        request,
        "noise.html",
        me,
        session=session,
        made=sheet,
        sheet=sheet.body,
        excerpt=excerpt_of,
        clock=clock,
        name_of=label,
        noises=NOISES,
        first=first,
        groups=GROUPS,
    )


@router.post("/api/s/{session_id}/harmless")
def mark_harmless(
    request: Request,
    me: Engineer,
    session: Here,
    group: Annotated[str, Body(max_length=500)],
    harmless: Annotated[bool, Body()],
) -> dict[str, Any]:
    """Record a person's mark on a group of hits and rank the session anew; the last mark on a group counts."""
    # Loaded late: ranking brings the models' libraries, which most desks never need.
    from triage.ranking.session import mark_groups

    return {"silent": mark_groups(desk_of(request).engine, session, [group], me.name, harmless)}


@router.get("/s/{session_id}/pickups")
def pickups_page(request: Request, me: Me, db: Db, session: Here, first: First = 0) -> HTMLResponse:
    """Show what to record again of this session's plan."""
    sheet = desk_of(request).background.sheet(db, "pickups", session.id)
    calls, onward = page_of_calls(sheet.body["calls"] if sheet.body else [], first)
    return show(
        request,
        "pickups.html",
        me,
        session=session,
        made=sheet,
        found=sheet.body,
        calls=calls,
        caution=CAUTION,
        first=first,
        onward=onward,
    )


def page_of_calls(calls: list[dict[str, Any]], first: int) -> tuple[list[dict[str, Any]], int | None]:
    """Return the calls with those of their rows that a page from ``first`` on holds, and where the next begins."""
    shown, at = [], 0
    for number, call in enumerate(calls, start=1):
        rows = call["rows"][max(0, first - at) : max(0, first + ROWS - at)]
        if rows:
            shown.append(call | {"rows": rows, "number": number})
        at += len(call["rows"])
    return shown, first + ROWS if at > first + ROWS else None


def excerpt_of(hit: dict[str, Any]) -> Excerpt:
    """Return where a hit is heard and seen on the microphone that has it loudest."""
    start_s = max(0.0, hit["start_s"] - AROUND_S)
    end_s = min(hit["end_s"] + AROUND_S, hit["start_s"] + LONGEST_S)
    mic, take_id = quote(hit["mic"], safe=""), hit["take_id"]
    return Excerpt(
        f"/audio/takes/{take_id}/{mic}?start_s={start_s:.3f}&end_s={end_s:.3f}",
        f"/api/takes/{take_id}/picture/{mic}",
        start_s,
        end_s,
    )
