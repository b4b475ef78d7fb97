"""Takes: the queue, one take, good neighbours and previews, as JSON and bytes."""

import json
import struct
import zlib
from datetime import UTC, datetime, timedelta
from typing import Annotated, Any

from anyio import from_thread
from fastapi import APIRouter, Depends, HTTPException, Query, Request
from pydantic import BaseModel, ConfigDict, Field
from sqlalchemy import Connection
from starlette.responses import Response

from triage.desk.access import AtDesk, Db, WriteDb, change, desk_of, may
from triage.desk.json_views import left_shown, neighbour_shown, row_shown, take_shown
from triage.desk.pages import Here, Id, found_session
from triage.desk.settings import LEASE_S
from triage.desk.sheet_views import FORM
from triage.domain.preview import Preview
from triage.ranking.queue_mixing import ALL_BY_DOUBT, MIX, Dealt, Reviewer, coming, deal, unheard_rejects
from triage.store.changes import changes
from triage.store.leases import give_back, leases
from triage.store.neighbours import neighbour_notes, repetition_notes
from triage.store.preferences import preferences
from triage.store.previews import find_preview, pitch_contours
from triage.store.progress import progress
from triage.store.review import left, take_page
from triage.store.shared_settings import shared_settings
from triage.store.stored import StoredTake
from triage.store.takes import take_of

router = APIRouter(prefix="/api", tags=["takes"])
Hears = Annotated[AtDesk, Depends(may("hear"))]
Judges = Annotated[AtDesk, Depends(change("verdict"))]
MOST_DEALT = 50  # to one page: as many as somebody may put off, and some more
SHOWN = ("open", "settled", "disputed", "all")


def take_here(db: Db, take_id: Id) -> StoredTake:
    """Return the take that the address names."""
    found = take_of(db, take_id)
    if found is None:
        raise HTTPException(404, f"no take {take_id} in the store")
    return found


HereTake = Annotated[StoredTake, Depends(take_here, scope="function")]


def left_of(db: Connection, session_id: int, me: AtDesk, settings: dict[str, Any] | None = None) -> dict[str, Any]:
    """Return what a person has left to hear of a session, compared with their own bound."""
    settings = settings or preferences(db, me.person.id)
    return left_shown(left(db, session_id, me.name), settings["bound_rejects"], unheard_rejects(db, session_id))


@router.get("/sessions")
def sessions(me: Hears, db: Db) -> dict[str, Any]:
    """Return every session with how far it is."""
    return {"sessions": [vars(one) for one in progress(db, FORM)]}


@router.get("/s/{session_id}/next")
def next_to_hear(
    session: Here, me: Hears, db: Db, n: Annotated[int, Query(ge=1, le=MOST_DEALT)] = 3
) -> dict[str, Any]:
    """Return the takes that this person would hear next, and how much is left; none of them is theirs by that."""
    who, settings = reviewer(db, session.id, me), preferences(db, me.person.id)
    since = datetime.now(UTC) - timedelta(seconds=LEASE_S)
    others = tuple(one for one in leases(db, session.id, since) if one.by != me.name)
    takes = coming(db, session.id, me.name, n, who.mix, who.share_for_two, [one.take_id for one in others])
    return _shown(db, session.id, me, settings, Dealt(takes, others))


class Deal(BaseModel):
    """How many takes a page wants, and which one it shows."""

    model_config = ConfigDict(extra="forbid")
    n: Annotated[int, Field(ge=1, le=MOST_DEALT)] = 3
    showing: Annotated[int, Field(ge=1, le=2**31 - 1)] | None = None


@router.post("/s/{session_id}/deal")
def deal_takes(request: Request, session_id: Id, me: Judges, db: WriteDb, asked: Deal) -> dict[str, Any]:
    """Lease the takes that this person hears next, and say what others have on their screens."""
    found_session(db, session_id)
    showing = take_of(db, asked.showing) if asked.showing else None
    here = showing if showing and showing.session_id == session_id else None
    lease_s, settings = desk_of(request).settings.lease_s, preferences(db, me.person.id)
    dealt = deal(db, reviewer(db, session_id, me), asked.n, datetime.now(UTC), lease_s, here.id if here else None)
    if from_thread.run(request.is_disconnected):
        raise HTTPException(409, "the page has gone: nothing was dealt to it")  # undoes what was
    found = _shown(db, session_id, me, settings, dealt)
    if here is not None and here.id not in [take.id for take, _ in dealt.takes]:
        found["showing"] = take_shown(db, here, settings["around_s"], me.name)
    return found


@router.post("/s/{session_id}/give-back")
def give_takes_back(session_id: Id, me: Judges, db: WriteDb) -> dict[str, Any]:
    """End this person's leases in a session: their page was closed, or nobody sits at it."""
    found_session(db, session_id)
    give_back(db, session_id, me.name)
    return {}


def reviewer(db: Connection, session_id: int, me: AtDesk) -> Reviewer:
    """Return a person as somebody at the queue, with the mix that they chose."""
    teaching = preferences(db, me.person.id)["teaching"] == "on"
    share = float(shared_settings(db)["share_for_two"])
    return Reviewer(session_id, me.name, MIX if teaching else ALL_BY_DOUBT, share)


def _shown(db: Connection, session_id: int, me: AtDesk, settings: dict[str, Any], dealt: Dealt) -> dict[str, Any]:
    return {
        "takes": [take_shown(db, take, settings["around_s"], me.name, why) for take, why in dealt.takes],
        "others": [vars(one) for one in dealt.others],
        "left": left_of(db, session_id, me, settings),
        "change": changes(db, session_id),
    }


@router.get("/s/{session_id}/left")
def how_much_is_left(session: Here, me: Hears, db: Db) -> dict[str, Any]:
    """Return how much this person has not heard of a session."""
    return left_of(db, session.id, me)


@router.get("/s/{session_id}/list")
def list_of_takes(
    session: Here,
    me: Hears,
    db: Db,
    show: Annotated[str, Query(pattern=f"^({'|'.join(SHOWN)})$")] = "open",
    after: Annotated[int, Query(ge=0, le=2**31 - 1)] = 0,
    n: Annotated[int, Query(ge=1, le=200)] = 50,
) -> dict[str, Any]:
    """Return takes in order of rank after one rank, with everybody's last verdict."""
    found, verdicts = take_page(db, session.id, show, after, n)
    more = found[-1].rank if len(found) == n else None
    return {"takes": [row_shown(take, verdicts.get(take.id, {})) for take in found], "next": more}


@router.get("/takes/{take_id}")
def one_take(take: HereTake, me: Hears, db: Db) -> dict[str, Any]:
    """Return all that the desk shows of a take."""
    return take_shown(db, take, preferences(db, me.person.id)["around_s"], me.name)


@router.get("/takes/{take_id}/notes/{note}/neighbours")
def neighbours(
    take: HereTake,
    me: Hears,
    db: Db,
    note: Id,
    n: Annotated[int, Query(ge=1, le=12)] = 3,
    mic: Annotated[str | None, Query(max_length=200)] = None,
) -> dict[str, Any]:
    """Return good notes to hear a note against, each with the address of its sound, as loud as this note.

    Also the other repetitions of its cell: which notes of which takes, and when they begin.
    """
    found = neighbour_notes(db, take.id, note, n)
    repetitions = [(one.take_id, one.note) for one in repetition_notes(db, take.id, note)]
    near = {(one.take_id, one.note) for one in found}
    return {
        "neighbours": [neighbour_shown(db, one, mic or take.measured_mic, take.id, note) for one in found],
        "repetitions": [{"take_id": of, "note": number} for of, number in repetitions if (of, number) not in near],
    }


@router.get("/takes/{take_id}/picture/{mic}", response_class=Response)
def picture(request: Request, take: HereTake, me: Hears, db: Db, mic: str) -> Response:
    """Give the spectrogram as a grey PNG, one column per frame, the highest band on top."""
    found = _preview(db, take, mic)
    facts = {"X-Hop-S": found.picture_hop_s, "X-Low-Hz": found.low_hz, "X-High-Hz": found.high_hz}
    about = {name: f"{value:g}" for name, value in facts.items()}
    return kept(request, take, found.picture, "image/png", about)


@router.get("/takes/{take_id}/wave/{mic}")
def wave(request: Request, take: HereTake, me: Hears, db: Db, mic: str) -> Response:
    """Give the lowest and highest sample of every hop, 127 being full scale."""
    found = _preview(db, take, mic)
    samples = zlib.decompress(found.wave)
    pairs = [
        round(v / 258, 2) for v in struct.unpack(f"<{len(samples) // 2}h", samples)
    ]  # lowest, highest, lowest, ..
    body = {"hop_s": found.wave_hop_s, "low": pairs[::2], "high": pairs[1::2]}
    return kept(request, take, json.dumps(body, separators=(",", ":")).encode(), "application/json", {})


@router.get("/takes/{take_id}/pitch")
def pitch(request: Request, take: HereTake, me: Hears, db: Db) -> Response:
    """Give the contour of each note's pitch, in cents (MIDI number times 100, A4 = the session's), null unvoiced."""
    contours = pitch_contours(db, take.id)
    body = zlib.decompress(contours) if contours else b'{"hop_s": 0.02, "courses": []}'
    return kept(request, take, body, "application/json", {})


def _preview(db: Connection, take: StoredTake, mic: str) -> Preview:
    found = find_preview(db, take.id, mic)
    if found is None:
        raise HTTPException(404, f"no preview of take {take.name}, {mic[:60]!r}; take the session in again")
    return found


def kept(request: Request, take: StoredTake, body: bytes, kind: str, about: dict[str, str]) -> Response:
    """Return bytes that a browser may keep until the take sounds otherwise."""
    tag = f'"{take.id}-{zlib.crc32(body):08x}"'
    headers = {"ETag": tag, "Cache-Control": "private, max-age=3600", **about}
    if request.headers.get("if-none-match") == tag:
        return Response(status_code=304, headers=headers)
    return Response(body, media_type=kind, headers=headers)
