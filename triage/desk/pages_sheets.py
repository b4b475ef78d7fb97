"""The pages made from sheets: the noise sheet, how even the keyboard is, and what to record again."""

from dataclasses import dataclass
from typing import Annotated, Any
from urllib.parse import quote

from fastapi import APIRouter, Body, Depends, Request
from fastapi.responses import HTMLResponse

from triage.desk.access import AtDesk, Db, Me, change, desk_of
from triage.desk.pages import Here, show
from triage.sheets.noise import clock, noise_sheet
from triage.sheets.noise_words import name_of
from triage.sheets.pickups import CAUTION, minutes, pickup_list
from triage.store.recording import take_ids
from triage.store.stored import StoredHit

router = APIRouter(include_in_schema=False)
Engineer = Annotated[AtDesk, Depends(change("mark-noise"))]
AROUND_S, LONGEST_S = 0.8, 4.0  # heard and seen before a hit and after its start
RAISED_DB = 12.0  # for what is soft; the audition caps what it may peak at


@dataclass(frozen=True)
class Excerpt:
    """Where to hear and see a hit: addresses of its sound and picture, and the stretch that they show."""

    take_id: int
    sound: str
    picture: str
    start_s: float
    end_s: float


@router.get("/s/{session_id}/noise")
def noise_page(request: Request, me: Me, db: Db, session: Here) -> HTMLResponse:
    """Show the noise sheet, each group's worst hit to be heard and seen."""
    ids = take_ids(db, session.id)

    def excerpt(hit: StoredHit) -> Excerpt:
        return excerpt_of(hit, ids[hit.take])

    sheet = desk_of(request).kept.get(db, "noise", session.id, lambda: noise_sheet(db, session.id))
    return show(
        request, "noise.html", me, session=session, sheet=sheet, excerpt=excerpt, clock=clock, name_of=name_of
    )


@router.post("/api/s/{session_id}/harmless")
def mark_harmless(
    request: Request, me: Engineer, session: Here, group: Annotated[str, Body(max_length=500)],
    harmless: Annotated[bool, Body()],
) -> dict[str, Any]:  # fmt: skip
    """Record what somebody said of a group of hits and rank the session anew; the last word on a group counts."""
    # Loaded late: ranking brings the models' libraries, which most desks never need.
    from triage.silence import mark_group

    return {"silent": mark_group(desk_of(request).engine, session, group, me.name, harmless)}


@router.get("/s/{session_id}/pickups")
def pickups_page(request: Request, me: Me, db: Db, session: Here) -> HTMLResponse:
    """Show what to record again of this session's plan."""
    found = desk_of(request).kept.get(db, "pickups", session.id, lambda: pickup_list(db, session.id))
    return show(
        request, "pickups.html", me, session=session, found=found, caution=CAUTION, minutes=minutes,
        ids=take_ids(db, session.id),
    )  # fmt: skip


def excerpt_of(hit: StoredHit, take_id: int) -> Excerpt:
    """Return where a hit is heard and seen on the microphone that has it loudest."""
    start_s = max(0.0, hit.start_s - AROUND_S)
    end_s = min(hit.end_s + AROUND_S, hit.start_s + LONGEST_S)
    mic = quote(hit.mic, safe="")
    return Excerpt(
        take_id, f"/audio/takes/{take_id}/{mic}?start_s={start_s:.3f}&end_s={end_s:.3f}",
        f"/api/takes/{take_id}/picture/{mic}", start_s, end_s,
    )  # fmt: skip
