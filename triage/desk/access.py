"""Access: what a route depends on: a database session, who is signed in, and whether they may do this.

``Db`` reads one moment of the store, ``WriteDb`` commits before the answer goes out: what was answered is stored.
``Me`` is whoever is logged in (else 401); ``may("verdict")`` is a person whose role has that right (else 403) and,
for changes, ``change(...)`` also wants the form token.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Annotated

from fastapi import Depends, Header, HTTPException, Request
from itsdangerous import BadSignature, TimestampSigner
from sqlalchemy import Connection, Engine
from starlette.responses import Response

from triage.audition.excerpts import ExcerptCache
from triage.desk.background_jobs import BackgroundJobs
from triage.desk.people import RIGHTS, Throttle
from triage.desk.security import form_token, is_form_token
from triage.desk.settings import DeskSettings
from triage.store.accounts import Person, logged_in
from triage.store.engine import reading, writing


@dataclass(frozen=True)
class Desk:
    """What all routes share."""

    settings: DeskSettings
    engine: Engine
    key: bytes  # the store's own, so that log-ins outlive a restart
    throttle: Throttle
    background: BackgroundJobs
    excerpts: ExcerptCache

    @property
    def cookie(self) -> str:
        """Return the log-in cookie's name; cookies do not tell ports apart, so the name does."""
        return f"{'__Host-' if self.settings.https else ''}desk-{self.settings.port}"

    def signer(self) -> TimestampSigner:
        """Return what signs log-in cookies."""
        return TimestampSigner(self.key, salt="login")


@dataclass(frozen=True)
class AtDesk:
    """A signed-in person, with the token of their log-in."""

    person: Person
    token: str
    form_token: str

    @property
    def name(self) -> str:
        """The person's name."""
        return self.person.name

    @property
    def role(self) -> str:
        """The role they chose when they signed in, or have by their account."""
        return self.person.role

    @property
    def rights(self) -> frozenset[str]:
        """What their role may do."""
        return RIGHTS[self.person.role]


def desk_of(request: Request) -> Desk:
    """Return what all routes share."""
    desk: Desk = request.app.state.desk
    return desk


def reading_db(request: Request) -> Iterator[Connection]:
    """Give a route a consistent snapshot of the store."""
    with reading(desk_of(request).engine) as db:
        yield db


def writing_db(request: Request) -> Iterator[Connection]:
    """Give a route a database session whose changes are kept before the answer goes out."""
    with writing(desk_of(request).engine) as db:
        yield db


def whoever(request: Request) -> AtDesk | None:
    """Return who is logged in, if anybody is."""
    desk = desk_of(request)
    token = signed_token(desk, request)
    if token is None:
        return None
    with reading(desk.engine) as db:
        person = logged_in(db, token)
    return None if person is None else AtDesk(person, token, form_token(desk.key, token))


def at_desk(request: Request) -> AtDesk:
    """Return who is logged in; nobody is an error."""
    me = whoever(request)
    if me is None:
        raise HTTPException(401, "nobody is signed in; sign in at /sign-in")
    return me


# "function": with FastAPI's own default the commit would come after the answer, and a failed one still answer 200.
Db = Annotated[Connection, Depends(reading_db, scope="function")]
WriteDb = Annotated[Connection, Depends(writing_db, scope="function")]
Me = Annotated[AtDesk, Depends(at_desk)]


def may(right: str) -> Callable[[AtDesk], AtDesk]:
    """Return a dependency: a person whose role has this right."""

    def allowed(me: Me) -> AtDesk:
        if right not in me.rights:
            raise HTTPException(403, f"{me.name} is here as {me.person.role}, who may not {right.replace('-', ' ')}")
        return me

    return allowed


def change(right: str) -> Callable[..., AtDesk]:
    """Return a dependency for a route that changes something: the right, and the form token in a header."""

    def changing(
        request: Request, me: Annotated[AtDesk, Depends(may(right))], x_form_token: Annotated[str, Header()] = ""
    ) -> AtDesk:
        if not is_form_token(desk_of(request).key, me.token, x_form_token):
            raise HTTPException(403, "the form token is missing or old; load the page again")
        return me

    return changing


def signed_token(desk: Desk, request: Request) -> str | None:
    """Return the log-in token of the request's cookie, if it carries our signature and is not too old."""
    try:
        raw = desk.signer().unsign(request.cookies.get(desk.cookie, ""), max_age=round(desk.settings.login_h * 3600))
    except BadSignature:
        return None
    return raw.decode()


def set_cookie(desk: Desk, response: Response, name: str, value: str) -> None:
    """Set a cookie that scripts cannot read and other sites do not send along with a change."""
    response.set_cookie(
        name,
        value,
        max_age=round(desk.settings.login_h * 3600),
        path="/",
        secure=desk.settings.https,
        httponly=True,
        samesite="lax",
    )
