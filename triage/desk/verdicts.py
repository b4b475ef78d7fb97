"""Verdicts, undo and preferences come in here: what was answered is stored, and stored once."""

from datetime import UTC, datetime
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Body, Depends, HTTPException, Request
from pydantic import BaseModel, ConfigDict, Field
from sqlalchemy import Connection

from triage.desk.access import AtDesk, Db, Me, WriteDb, change
from triage.desk.json_views import verdicts_shown
from triage.desk.pages import Id, found_session
from triage.desk.pages_models import learn_at_times
from triage.desk.takes import left_of
from triage.domain.verdict import Verdict
from triage.store.leases import end_lease
from triage.store.preferences import preferences, save_preferences
from triage.store.review_sampling import has_reviewed
from triage.store.shared_settings import save_shared_settings, shared_settings
from triage.store.standing import history
from triage.store.takes import take_of
from triage.store.verdicts import LONGEST_TEXT, record_verdict, take_back

router = APIRouter(prefix="/api", tags=["verdicts"])
Judges = Annotated[AtDesk, Depends(change("verdict"))]
Key = Annotated[str, Field(min_length=8, max_length=80)]  # made by the client, one for each click
Text = Annotated[str | None, Field(max_length=LONGEST_TEXT)]
MOST_STEPS = 1000
MOST_NOTES = 500  # of one verdict


class PostedVerdict(BaseModel):
    """A person's verdict on a take as a whole, or on one or more notes of it."""

    model_config = ConfigDict(extra="forbid")
    verdict: Literal["accept", "reject", "unsure"]
    key: Key
    notes: Annotated[list[Annotated[int, Field(ge=1, le=2**31 - 1)]], Field(max_length=MOST_NOTES)] = []
    reason: Text = None
    comment: Text = None
    audio_digest: Annotated[str | None, Field(max_length=64)] = None  # of the take as the page had it
    # Why the desk showed it, as it said with the take.
    shown: Literal["learning", "random", "repeat", "second"] | None = None
    settles: bool = False  # it ends a dispute


class Undo(BaseModel):
    """Which of one's own verdicts in this session to take back: the ones with these keys, else the last ones."""

    model_config = ConfigDict(extra="forbid")
    key: Key
    steps: Annotated[int, Field(ge=1, le=MOST_STEPS)] = 1
    of: Annotated[list[Key], Field(max_length=MOST_NOTES)] = []


@router.post("/takes/{take_id}/verdict")
def post_verdict(request: Request, me: Judges, db: WriteDb, take_id: Id, posted: PostedVerdict) -> dict[str, Any]:
    """Add a verdict; the same key again is the same verdict. Answers with everybody's verdicts and what is left.

    On notes it is one verdict each, with the key ``KEY.NOTE``; on the whole take one with the key itself.
    """
    take = take_of(db, take_id)
    if take is None:
        raise HTTPException(404, f"no take {take_id} in the store")
    if posted.settles:
        _check_settling(db, me, posted)
    blind = posted.shown == "repeat" and has_reviewed(db, take.id, me.name)
    made = [
        record_verdict(
            db,
            take.session_id,
            Verdict(
                take.name,
                posted.verdict,
                me.name,
                datetime.now(UTC),
                note,
                posted.reason or None,
                posted.comment or None,
                blind,
                posted.shown,
                posted.settles,
            ),
            _own(me, posted.key if note is None else f"{posted.key}.{note}"),
            posted.audio_digest,
        )
        for note in (sorted(set(posted.notes)) or (None,))
    ]
    learn_at_times(request, db)
    if not posted.notes:
        end_lease(db, take.id, me.name)
    return {
        "verdict": made[-1],
        "verdicts": verdicts_shown(history(db, take.id)),
        "left": left_of(db, take.session_id, me),
    }


@router.post("/s/{session_id}/undo")
def post_undo(me: Judges, db: WriteDb, session_id: Id, undo: Undo) -> dict[str, Any]:
    """Take back this person's verdicts in a session; they stay on record as taken back."""
    found_session(db, session_id)
    of = [_own(me, key) for key in undo.of]
    back = take_back(db, session_id, me.name, datetime.now(UTC), undo.steps, _own(me, undo.key), of)
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


@router.get("/shared-settings")
def get_shared_settings(me: Me, db: Db) -> dict[str, Any]:
    """Return what is set for everybody."""
    return shared_settings(db)


@router.post("/shared-settings")
def post_shared_settings(
    me: Annotated[AtDesk, Depends(change("choose"))],
    db: WriteDb,
    changed: Annotated[dict[str, Any], Body(max_length=20)],
) -> dict[str, Any]:
    """Store what a producer or lead sets for everybody; returns all shared settings."""
    return save_shared_settings(db, changed, me.name, datetime.now(UTC))


def _check_settling(db: Connection, me: AtDesk, posted: PostedVerdict) -> None:
    roles = shared_settings(db)["settled_by"]
    if me.role not in roles:
        raise HTTPException(403, f"{me.name} is here as {me.role}; a dispute is settled by {' or '.join(roles)}")
    if posted.verdict == "unsure" or not (posted.reason or posted.comment):
        raise HTTPException(400, "a dispute is settled by accept or reject, with a reason or a comment")


def _own(me: AtDesk, key: str) -> str:
    """Return a client's key as the store knows it: nobody can use up another person's."""
    return f"{me.person.id}:{key}"
