"""Signing in and out: a person says who they are, with a password where one is asked for.

On the loopback address a name and a role are enough; a person with a password is asked for it everywhere, and beyond
the loopback address only people with a password come in, and nobody learns who there is.
"""

import math
import secrets
from datetime import timedelta
from typing import Annotated

from fastapi import APIRouter, Depends, Form, HTTPException, Request
from fastapi.responses import HTMLResponse, RedirectResponse
from starlette.responses import Response

from triage.desk.access import AtDesk, Desk, desk_of, set_cookie, signed_token, whoever
from triage.desk.pages import show
from triage.desk.people import hash_password, is_outdated, is_password
from triage.desk.security import form_token, is_form_token
from triage.domain.errors import StoreError
from triage.store.accounts import (
    LONGEST_NAME,
    ROLES,
    Person,
    find_person,
    log_in,
    log_out,
    password_hash,
    people,
    renew_hash,
    save_person,
)
from triage.store.engine import reading, writing

router = APIRouter(include_in_schema=False)
Text = Annotated[str, Form(max_length=1000)]
WRONG = "that name and password do not go together"


@router.get("/sign-in")
def sign_in_page(request: Request, then: str = "/") -> HTMLResponse:
    """Show the sign-in page."""
    return _sign_in_page(request, then=then)


@router.get("/door")
def old_address() -> Response:
    """Send an old bookmark of this page to where it is now."""
    return RedirectResponse("/sign-in", 308)


@router.post("/sign-in")
def come_in(
    request: Request, form_token: Text, name: Text = "", role: Text = "", password: Text = "", then: Text = "/"
) -> Response:
    """Sign a person in, and redirect them to where they wanted to go."""
    desk = desk_of(request)
    if not is_form_token(desk.key, request.cookies.get(_nonce_cookie(desk), ""), form_token):
        return _sign_in_page(request, then, "the page was too old; please say it again", 403, name)
    name = " ".join(name.split())
    try:
        person = _checked(request, desk, name, password) or _named(desk, name, role)
    except StoreError as error:
        return _sign_in_page(request, then, str(error), 400, name)
    except HTTPException as refused:
        answer = _sign_in_page(request, then, str(refused.detail), refused.status_code, name)
        answer.headers.update(refused.headers or {})
        return answer
    with writing(desk.engine) as db:
        if old := signed_token(desk, request):
            log_out(db, old)
        token = log_in(db, person.id, timedelta(hours=desk.settings.login_h))
    inside = RedirectResponse(_inside(then), 303)
    set_cookie(desk, inside, desk.cookie, desk.signer().sign(token).decode())
    inside.delete_cookie(_nonce_cookie(desk), path="/", secure=desk.settings.https, httponly=True, samesite="lax")
    return inside


@router.post("/sign-out")
def sign_out(request: Request, form_token: Text, me: Annotated[AtDesk | None, Depends(whoever)]) -> Response:
    """End a log-in."""
    desk = desk_of(request)
    answer = RedirectResponse("/sign-in", 303)
    if me is not None:
        if not is_form_token(desk.key, me.token, form_token):
            raise HTTPException(403, "the form token is missing or old; load the page again")
        with writing(desk.engine) as db:
            log_out(db, me.token)
    answer.delete_cookie(desk.cookie, path="/", secure=desk.settings.https, httponly=True, samesite="lax")
    return answer


def _sign_in_page(
    request: Request, then: str = "/", error: str = "", status: int = 200, name: str = ""
) -> HTMLResponse:
    desk = desk_of(request)
    nonce = request.cookies.get(_nonce_cookie(desk)) or secrets.token_urlsafe(16)
    with reading(desk.engine) as db:
        known = () if desk.settings.beyond_loopback else people(db)
    page = show(
        request,
        "sign_in.html",
        whoever(request),
        status,
        token=form_token(desk.key, nonce),
        then=_inside(then),
        error=error,
        name=name[:LONGEST_NAME],
        people=known,
        roles=ROLES,
        accounts=desk.settings.beyond_loopback,
    )
    set_cookie(desk, page, _nonce_cookie(desk), nonce)
    return page


def _checked(request: Request, desk: Desk, name: str, password: str) -> Person | None:
    """Return the person whose password this is; None where that name needs none."""
    with reading(desk.engine) as db:
        person = find_person(db, name)
        hashed = password_hash(db, person.id) if person else None
    if hashed is None and not desk.settings.beyond_loopback:
        return None
    address = request.client.host if request.client else "unknown"
    if wait_s := desk.throttle.wait_s(address, name):
        wait = math.ceil(wait_s)
        raise HTTPException(429, f"too many wrong passwords; wait {wait} s", {"Retry-After": str(wait)})
    if not is_password(hashed, password) or person is None or hashed is None:
        desk.throttle.failed(address, name)
        raise HTTPException(401, WRONG)
    desk.throttle.succeeded(address, name)
    if is_outdated(hashed):
        with writing(desk.engine) as db:
            renew_hash(db, person.id, hash_password(password))
    return person


def _named(desk: Desk, name: str, role: str) -> Person:
    """Return the person who gives this name on this machine."""
    with writing(desk.engine) as db:
        return save_person(db, name, role)


def _nonce_cookie(desk: Desk) -> str:
    return f"{desk.cookie}-sign-in"


def _inside(then: str) -> str:
    """Return an address of this desk: what could lead elsewhere leads to the first page."""
    local = then.startswith("/") and not then.startswith(("//", "/\\")) and then.isprintable()
    return then if local and not then.startswith("/sign-in") else "/"
