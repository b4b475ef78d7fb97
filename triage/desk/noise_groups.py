"""The members of a group of noises, one after another, and what the engineer makes of each of them.

A correction (another kind, other boundaries, or no noise at all) counts at once: the session is ranked anew, so that
sheet, queue and doubts follow, and hits that sound alike are read by it from then on.
"""

from datetime import UTC, datetime
from typing import Annotated, Any

from fastapi import APIRouter, Body, Depends, HTTPException, Query, Request

from triage.desk.access import AtDesk, Db, change, desk_of, may
from triage.desk.pages import Here, Id
from triage.desk.pages_sheets import excerpt_of
from triage.domain.hit import Hit, HitCorrection
from triage.domain.kinds import NOISES
from triage.store.hits import find_hit, hits_of_group

router = APIRouter(prefix="/api", tags=["noise"])
Hears = Annotated[AtDesk, Depends(may("hear"))]
Engineer = Annotated[AtDesk, Depends(change("mark-noise"))]
Seconds = Annotated[float, Body(ge=0, le=4 * 3600.0, allow_inf_nan=False)]
MEMBERS = 500


@router.get("/s/{session_id}/noise/hits")
def group_members(
    me: Hears, db: Db, session: Here, group: Annotated[str, Query(max_length=500)]
) -> list[dict[str, Any]]:
    """Return the hits of a group in order of take and time, each with where to hear it."""
    found = hits_of_group(db, session.id, group, MEMBERS)
    return [_shown(hit_id, take_id, hit) for hit_id, take_id, hit in found]


@router.post("/s/{session_id}/noise/hits/{hit_id}")
def correct(
    request: Request,
    me: Engineer,
    db: Db,
    session: Here,
    hit_id: Id,
    kind: Annotated[str | None, Body(max_length=60)],
    start_s: Seconds,
    end_s: Seconds,
) -> dict[str, Any]:
    """Record what a person heard in place of a hit: its kind (null: no noise) and its boundaries."""
    hit = find_hit(db, session.id, hit_id)
    if hit is None:
        raise HTTPException(404, f"no noise hit {hit_id} in this session any more; load the page again")
    if kind is not None and kind not in NOISES:
        raise HTTPException(422, f"{kind!r} is no kind of noise; known: {', '.join(NOISES)}")
    if end_s <= start_s:
        raise HTTPException(422, f"from {start_s:g} to {end_s:g} s is no stretch of time; the end comes later")
    # Loaded late: ranking brings the models' libraries, which most desks never need.
    from triage.ranking.session import correct_hit

    correct_hit(desk_of(request).engine, session, _correction(session.name, hit, kind, (start_s, end_s), me.name))
    return {"kind": kind}


def _correction(session: str, hit: Hit, kind: str | None, span_s: tuple[float, float], by: str) -> HitCorrection:
    """Return the correction of a hit as the analysis found it, whatever was corrected before."""
    found = (hit.found_kind or hit.kind, _known(hit.found_start_s, hit.start_s), _known(hit.found_end_s, hit.end_s))
    return HitCorrection(session, hit.take, hit.mic, *found, hit.sound, kind, *span_s, by, datetime.now(UTC))


def _known(value: float | None, otherwise: float) -> float:
    return otherwise if value is None else value


def _shown(hit_id: int, take_id: int, hit: Hit) -> dict[str, Any]:
    names = ("take", "kind", "mic", "note", "start_s", "end_s", "exposed")
    about = {name: getattr(hit, name) for name in names} | {"id": hit_id, "take_id": take_id}
    return about | {"corrected": hit.found_kind is not None, "sound": excerpt_of(about).sound}
