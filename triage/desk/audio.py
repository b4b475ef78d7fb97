"""Sound: segments of takes by id, never by path, with byte ranges (RFC 9110, section 14).

A segment is written to the cache of excerpts and served as a file. A long one is streamed instead: writing 10 minutes
takes more than a second, and a whole take is to start at once.
"""

import hashlib
import re
from collections.abc import Iterator
from itertools import chain
from typing import Annotated

from fastapi import APIRouter, Depends, HTTPException, Query, Request
from sqlalchemy import Connection
from starlette.responses import FileResponse, Response, StreamingResponse

from triage.audition.excerpts import Cut, cut, matching_gain_db
from triage.audition.folders import session_folder
from triage.desk.access import AtDesk, Db, desk_of, may
from triage.desk.pages import Id
from triage.domain.take import Track
from triage.store.neighbours import note_span
from triage.store.takes import session_of, take_of, tracks

router = APIRouter(prefix="/audio", tags=["sound"])
Hears = Annotated[AtDesk, Depends(may("hear"))]
LONGEST_S = 4 * 3600.0
Seconds = Annotated[float, Query(ge=0, le=LONGEST_S, allow_inf_nan=False)]
Gain = Annotated[float, Query(ge=-30, le=12, allow_inf_nan=False)]
BEFORE_S = 0.05  # of a note: its attack is not to be cut
KEPT_S = 3600
STREAMED_S = 15.0  # segments from this length on
RANGE = re.compile(r"bytes=(\d{1,10})-(\d{0,10})")  # players ask for no other; the rest is answered in full


@router.head("/takes/{take_id}/{mic}", include_in_schema=False)
@router.get("/takes/{take_id}/{mic}", response_class=Response)
def take_sound(
    request: Request,
    me: Hears,
    db: Db,
    take_id: Id,
    mic: str,
    start_s: Seconds = 0.0,
    end_s: Seconds | None = None,
    gain_db: Gain = 0.0,
) -> Response:
    """Give a segment of a take, or all of it, as one microphone recorded it."""
    return wav_answer(request, cut_of(request, db, take_id, mic, start_s, end_s, gain_db))


@router.head("/takes/{take_id}/notes/{note}/{mic}", include_in_schema=False)
@router.get("/takes/{take_id}/notes/{note}/{mic}", response_class=Response)
def note_sound(
    request: Request,
    me: Hears,
    db: Db,
    take_id: Id,
    note: Id,
    mic: str,
    like_take: Id | None = None,
    like_note: Id | None = None,
) -> Response:
    """Give one note until it has rung out, as loud as another one if that is named."""
    found = _note(request, db, take_id, note, mic)
    if like_take is not None and like_note is not None:
        gain_db = matching_gain_db(found, _note(request, db, like_take, like_note, mic))
        found = cut_of(request, db, take_id, mic, found.first / found.rate_hz, found.last / found.rate_hz, gain_db)
    return wav_answer(request, found)


def wav_answer(request: Request, found: Cut) -> Response:
    """Return a cut as a WAV, all of it or the range asked for."""
    name = _name(found)
    headers = {
        "ETag": f'"{name}"',
        "Cache-Control": f"private, max-age={KEPT_S}",
        "X-Gain-Db": f"{found.gain_db:.2f}",
        "X-First-Sample": str(found.first),
    }
    if f'"{name}"' in [one.strip() for one in request.headers.get("if-none-match", "").split(",")]:
        return Response(status_code=304, headers=headers)
    if found.duration_s >= STREAMED_S:
        return _streamed(request, found, headers)
    return FileResponse(desk_of(request).excerpts.file(found, name), headers=headers, media_type="audio/wav")


def _streamed(request: Request, found: Cut, headers: dict[str, str]) -> Response:
    start, end, status = 0, found.n_bytes, 200
    asked = RANGE.fullmatch(request.headers.get("range", ""))
    if asked and request.headers.get("if-range", headers["ETag"]) == headers["ETag"]:
        start, status = int(asked[1]), 206
        end = min(end, int(asked[2]) + 1) if asked[2] else end
        if start >= end:
            return Response(status_code=416, headers={"Content-Range": f"bytes */{found.n_bytes}"})
        headers["Content-Range"] = f"bytes {start}-{end - 1}/{found.n_bytes}"
    headers |= {"Accept-Ranges": "bytes", "Content-Length": str(end - start)}
    if request.method == "HEAD":
        return Response(status_code=status, headers=headers, media_type="audio/wav")
    return StreamingResponse(_begun(found.stream(start, end)), status, headers, "audio/wav")


def _begun(pieces: Iterator[bytes]) -> Iterator[bytes]:
    """Fetch the first two pieces, header and sound, now: what cannot be read is an error, not a truncated answer."""
    return chain([next(pieces, b""), next(pieces, b"")], pieces)


def cut_of(
    request: Request, db: Connection, take_id: int, mic: str, start_s: float, end_s: float | None, gain_db: float
) -> Cut:
    """Return a segment of a track that is found by ids in the store alone."""
    found = take_of(db, take_id)
    session = session_of(db, found.session_id) if found else None
    track = _track(db, take_id, mic)
    if found is None or session is None or track is None:
        raise HTTPException(404, f"no take {take_id} with a microphone {mic[:60]!r}")
    folder = session_folder(session.folder, desk_of(request).settings.recordings)
    return cut(track, folder, start_s, end_s, gain_db)


def _note(request: Request, db: Connection, take_id: int, note: int, mic: str) -> Cut:
    span = note_span(db, take_id, note)
    if span is None:
        raise HTTPException(404, f"no note {note} in take {take_id}")
    return cut_of(request, db, take_id, mic, max(0.0, span[0] - BEFORE_S), span[1], 0.0)


def _track(db: Connection, take_id: int, mic: str) -> Track | None:
    return next((track for track in tracks(db, take_id) if track.mic == mic), None)


def _name(found: Cut) -> str:
    """Return a name for a cut alone: another file, segment or gain is another sound."""
    facts = found.path.stat()
    parts = (facts.st_mtime_ns, facts.st_size, found)
    return hashlib.sha256(repr(parts).encode("utf-8", "backslashreplace")).hexdigest()[:32]
