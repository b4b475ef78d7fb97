"""Verdicts, undo and preferences come in here: what was answered is stored, and stored once."""

from datetime import UTC, datetime
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Body, Depends, HTTPException
from pydantic import BaseModel, ConfigDict, Field

from triage.desk.access import AtDesk, Db, Me, WriteDb, change
from triage.desk.json_views import verdicts_shown
from triage.desk.pages import Id, found_session
from triage.desk.takes import left_of
from triage.domain.verdict import Verdict
from triage.store.preferences import preferences, save_preferences
from triage.store.review_sampling import has_reviewed
from triage.store.standing import history
from triage.store.takes import take_of
from triage.store.verdicts import LONGEST_TEXT, record_verdict, take_back

router = APIRouter(prefix="/api", tags=["verdicts"])
Judges = Annotated[AtDesk, Depends(change("verdict"))]
Key = Annotated[str, Field(min_length=8, max_length=80)]  # made by the client, one for each click
Text = Annotated[str | None, Field(max_length=LONGEST_TEXT)]
MOST_STEPS = 1000


class PostedVerdict(BaseModel):
    """A person's verdict on a take, or on one note of it."""

    model_config = ConfigDict(extra="forbid")
    verdict: Literal["accept", "reject", "unsure"]
    key: Key
    note: Annotated[int, Field(ge=1, le=2**31 - 1)] | None = None
    reason: Text = None
    comment: Text = None
    audio_digest: Annotated[str | None, Field(max_length=64)] = None  # of the take as the page had it
    shown: Literal["learning", "random", "repeat"] | None = None  # why the desk showed it, as it said with the take


class Undo(BaseModel):
    """How many of one's own verdicts in this session to take back, the last one first."""

    model_config = ConfigDict(extra="forbid")
    key: Key
    steps: Annotated[int, Field(ge=1, le=MOST_STEPS)] = 1


@router.post("/takes/{take_id}/verdict")
def post_verdict(me: Judges, db: WriteDb, take_id: Id, posted: PostedVerdict) -> dict[str, Any]:
    """Add a verdict; the same key again is the same verdict. Answers with everybody's verdicts and what is left."""
    take = take_of(db, take_id)
    if take is None:
        raise HTTPException(404, f"no take {take_id} in the store")
    record = Verdict(
        take.name,
        posted.verdict,
        me.name,
        datetime.now(UTC),
        posted.note,
        posted.reason or None,
        posted.comment or None,
        blind=posted.shown == "repeat" and has_reviewed(db, take.id, me.name),
        shown=posted.shown,
    )
    made = record_verdict(db, take.session_id, record, f"{me.person.id}:{posted.key}", posted.audio_digest)
    return {
        "verdict": made,
        "verdicts": verdicts_shown(history(db, take.id)),
        "left": left_of(db, take.session_id, me),
    }


@router.post("/s/{session_id}/undo")
def post_undo(me: Judges, db: WriteDb, session_id: Id, undo: Undo) -> dict[str, Any]:
    """Take back this person's last verdicts in a session; they stay on record as taken back."""
    found_session(db, session_id)
    back = take_back(db, session_id, me.name, datetime.now(UTC), undo.steps, f"{me.person.id}:{undo.key}")
    return {"taken_back": [vars(one) for one in back], "left": left_of(db, session_id, me)}


@router.get("/me")
def who_am_i(me: Me, db: Db) -> dict[str, Any]:
    """Return who is signed in, what they may do and their preferences."""
    shown = {"name": me.name, "role": me.role, "rights": sorted(me.rights), "form_token": me.form_token}
    return shown | {"preferences": preferences(db, me.person.id)}


@router.post("/me/preferences")
def post_preferences(
    me: Annotated[AtDesk, Depends(change("hear"))],
    db: WriteDb,
    changed: Annotated[dict[str, Any], Body(max_length=20)],
) -> dict[str, Any]:
    """Store what a person changed, such as the expected rejects at which they stop; returns all preferences."""
    return save_preferences(db, me.person.id, changed)
