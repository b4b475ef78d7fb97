"""Note curves: what the lanes of the listening page draw of one note, as JSON: its pitch and its level,
loudness or brightness over time.
"""

import json
import math
import zlib
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Depends, HTTPException, Request
from sqlalchemy import Connection
from starlette.responses import Response

from triage.audition.note_curves import brightness_curve, curve_span, level_curve, loudness_curve
from triage.desk.access import AtDesk, Db, may
from triage.desk.audio import cut_of
from triage.desk.pages import Id
from triage.desk.takes import HereTake, kept
from triage.domain.errors import AudioError
from triage.store.notes import find_note
from triage.store.previews import pitch_contours
from triage.store.stored import StoredNote

router = APIRouter(prefix="/api", tags=["takes"])
Hears = Annotated[AtDesk, Depends(may("hear"))]
Curve = Literal["level", "loudness", "brightness"]
UNITS = {"level": "dbfs", "loudness": "lufs", "brightness": "hz"}


@router.get("/takes/{take_id}/notes/{note}/curves/{mic}")
def note_curves(
    request: Request, take: HereTake, me: Hears, db: Db, note: Id, mic: str, of: Curve = "level"
) -> Response:
    """Give a note's level in dBFS, loudness in LUFS or brightness in Hz of a microphone, and its cents.

    Null where there is no sound, and where a moment is unvoiced. ``from_s`` are seconds after the note's onset, so
    that notes can be drawn on one axis.
    """
    found = find_note(db, take.id, note)
    if found is None:
        raise HTTPException(404, f"no note {note} in take {take.name}")
    body = {
        "level": _level(request, db, take.id, found, mic, of),
        "pitch": _pitch(pitch_contours(db, take.id), note, found.sheet_midi or found.pitch_midi, found.start_s),
    }
    return kept(request, take, json.dumps(body, separators=(",", ":")).encode(), "application/json", {})


def _level(
    request: Request, db: Connection, take_id: int, note: StoredNote, mic: str, of: Curve
) -> dict[str, Any] | None:
    """Return a note's level over time, loudness or brightness; None where its sound is not at hand."""
    span = curve_span(note.start_s, note.ring_end_s or note.end_s)
    try:
        cut = cut_of(request, db, take_id, mic, *span, 0.0)
        lead_s, f0_hz = note.start_s - span[0], note.measurements.get("f0_hz")
        if of == "loudness":
            curve = loudness_curve(cut, lead_s)
        elif of == "brightness":
            curve = brightness_curve(cut, lead_s, note.end_s - note.start_s, f0_hz)
        else:
            curve = level_curve(cut, f0_hz)
    except (AudioError, HTTPException):  # the file is not whole, or there is none of this microphone
        return None
    level = [round(float(one), 1) if math.isfinite(one) else None for one in curve.level]
    return {"from_s": round(curve.from_s - note.start_s, 4), "hop_s": curve.hop_s, UNITS[of]: level}


def _pitch(contours: bytes | None, note: int, midi: int | None, start_s: float) -> dict[str, Any] | None:
    """Return a note's contour relative to its pitch; None where there is none."""
    if contours is None or midi is None:
        return None
    every = json.loads(zlib.decompress(contours))
    own = next((one for one in every["courses"] if one["note"] == note), None)
    if own is None:
        return None
    cents = [None if one is None else one - 100 * midi for one in own["cents"]]
    return {"from_s": round(own["start_s"] - start_s, 4), "hop_s": every["hop_s"], "cents": cents}
