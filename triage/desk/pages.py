"""Pages: the desk's HTML. Each route names a template of ``templates/`` and gives it what it shows.

Every template has ``me`` (name, person.role, rights), ``form_token`` (for the meta tag and hidden fields), ``path``,
``session`` (None where a page is of none) and ``navigation``, all pages. Whoever is not signed in is sent
to do so and back. A page is a route, a template and a script; ``in_navigation`` lists it among the session's pages.
"""

from datetime import UTC, datetime, timedelta
from itertools import groupby
from typing import Annotated, Any
from urllib.parse import quote

from fastapi import APIRouter, Depends, HTTPException, Path, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse
from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape
from sqlalchemy import Connection
from starlette.responses import Response

from triage.desk.access import AtDesk, Db, Me, desk_of
from triage.desk.people import RIGHTS
from triage.desk.sheet_views import FORM
from triage.desk.template_filters import FILTERS, MEASURED
from triage.domain.kinds import as_json
from triage.domain.measurements import COMPARED
from triage.store.accounts import ROLES, people
from triage.store.finding import Wanted, choices, find_takes
from triage.store.leases import leases
from triage.store.progress import Progress, progress
from triage.store.shared_settings import shared_settings
from triage.store.spots import spots_of
from triage.store.stored import StoredSession
from triage.store.takes import session_of

router = APIRouter(include_in_schema=False)
_PAGES = Environment(
    loader=PackageLoader("triage.desk"),
    autoescape=select_autoescape(default=True),
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)
_PAGES.filters.update(FILTERS)
_PAGES.globals["kinds"] = as_json()
_NAVIGATION: dict[int, tuple[str, str]] = {}  # place -> address within the session (with "/" first: of none), text
SHOWS = {"open": "still open", "disputed": "people differ", "settled": "settled", "all": "all"}
SORTS = {
    "doubt": "most doubtful first",
    "take": "take",
    "recorded": "when recorded",
    "longest": "longest spots first",
}
# What each role opens first, most used first; the other pages of a session follow in their order.
OWN_PAGES = {
    "editor": ("queue", "queue/list"),
    "producer": ("/models", "disputes", "queue", "consistency"),
    "engineer": ("noise", "arrivals"),
    "lead": ("played", "pickups", "queue"),
}
ROWS = 50  # of a page of the queue
Id = Annotated[int, Path(ge=1, le=2**31 - 1)]
Text = Annotated[str, Query(max_length=200)]


def in_navigation(place: int, address: str, text: str) -> None:
    """Show a page in the navigation, in order of place; an address with "/" first is of no session."""
    assert place not in _NAVIGATION, f"{text} and {_NAVIGATION[place][1]} have one place"
    _NAVIGATION[place] = (address, text)


def show(request: Request, template: str, me: AtDesk | None, status: int = 200, **values: Any) -> HTMLResponse:
    """Return the page of a template; text in values is escaped."""
    token = me.form_token if me else ""
    about = {"session": None, "navigation": _navigation(me), "path": request.url.path} | values
    return HTMLResponse(_PAGES.get_template(template).render(me=me, form_token=token, **about), status)


def _navigation(me: AtDesk | None) -> list[tuple[str, str]]:
    """Return all pages, those of the person's role first."""
    every = [_NAVIGATION[place] for place in sorted(_NAVIGATION)]
    own = OWN_PAGES[me.role] if me else ()
    return sorted(every, key=lambda page: own.index(page[0]) if page[0] in own else len(own))


def error_page(request: Request, me: AtDesk | None, status: int, line: str) -> HTMLResponse:
    """Return the page that says what went wrong, in one line."""
    head = {403: "Not for this role", 404: "Nothing there"}.get(status, "That did not work")
    return show(request, "error.html", me, status, head=head, line=line)


def to_sign_in(request: Request) -> Response:
    """Redirect whoever is not signed in to the sign-in page, and remember where they wanted to go."""
    there = request.url.path + (f"?{request.url.query}" if request.url.query else "")
    return RedirectResponse(f"/sign-in?then={quote(there)}", 303)


def session_here(db: Db, session_id: Id) -> StoredSession:
    """Return the session that the address names."""
    return found_session(db, session_id)


def found_session(db: Connection, session_id: int) -> StoredSession:
    """Return a session by its id; an unknown one is a 404."""
    found = session_of(db, session_id)
    if found is None:
        raise HTTPException(404, f"no session {session_id} in the store")
    return found


Here = Annotated[StoredSession, Depends(session_here, scope="function")]


in_navigation(1, "queue", "Listen")
in_navigation(2, "queue/list", "Queue")
in_navigation(9, "disputes", "Disputes")


@router.get("/")
def sessions_page(request: Request, me: Me, db: Db, q: Text = "") -> HTMLResponse:
    """Show the sessions day by day, those with a text in their name or date, and how far each is."""
    every = progress(db, FORM)
    named = [one for one in every if q.strip().casefold() in f"{one.name} {one.date}".casefold()]
    days = {day: list(found) for day, found in groupby(sorted(named, key=_day), key=lambda one: one.date)}
    return show(
        request,
        "sessions.html",
        me,
        days=days,
        q=q,
        own_pages=[page for page in _navigation(me) if not page[0].startswith("/")][:3],
        n_sessions=len(every),
        n_found=len(named),
    )


def _day(one: Progress) -> tuple[int, str]:
    """Return the place of a session among others: the last day first, by name within it."""
    return -one.date.toordinal(), one.name


@router.get("/s/{session_id}/queue")
def audition_page(request: Request, me: Me, db: Db, session: Here) -> HTMLResponse:
    """Show the next doubtful take; its script has it dealt by /api/s/{id}/deal."""
    return _audition(request, me, db, session, "")


@router.get("/s/{session_id}/disputes")
def disputes_page(request: Request, me: Me, db: Db, session: Here) -> HTMLResponse:
    """Show the takes that people differ on in a row; whoever may settle a dispute does so here."""
    return _audition(request, me, db, session, "disputed")


def _audition(request: Request, me: AtDesk, db: Connection, session: StoredSession, walk: str) -> HTMLResponse:
    about: dict[str, Any] = {name: getattr(desk_of(request).settings, name) for name in ("lease_s", "idle_s")}
    about["measurements"] = {
        one.name: {"unit": one.unit, "label": MEASURED.get(one.name, one.label)} for one in COMPARED.values()
    }
    shared = shared_settings(db)
    settles = "verdict" in me.rights and me.role in shared["settled_by"]
    about |= {"shared": shared, "roles": [role for role in ROLES if "verdict" in RIGHTS[role]]}
    return show(request, "audition.html", me, session=session, walk=walk, settles=settles, **about)


def wanted(
    show: str = "open",
    q: Text = "",
    instrument: Text = "",
    articulation: Text = "",
    dynamic: Text = "",
    pitch: Text = "",
    kind: Text = "",
    mic: Text = "",
    person: Text = "",
    sort: str = "doubt",
    page: Annotated[int, Query(ge=1, le=10**6)] = 1,
) -> Wanted:
    """Return which takes an address asks for."""
    given = (q, instrument, articulation, dynamic, pitch, kind, mic, person)
    return Wanted(show if show in SHOWS else "open", *given, sort if sort in SORTS else "doubt", page)


@router.get("/s/{session_id}/queue/list")
def list_page(
    request: Request, me: Me, db: Db, session: Here, asked: Annotated[Wanted, Depends(wanted)]
) -> HTMLResponse:
    """Show the queue as a list to search, filter and sort, a page at a time."""
    found = find_takes(db, session.id, asked, ROWS)
    since = datetime.now(UTC) - timedelta(seconds=desk_of(request).settings.lease_s)
    return show(
        request,
        "list.html",
        me,
        session=session,
        shows=SHOWS,
        sorts=SORTS,
        asked=asked,
        found=found,
        pages=max(1, -(-found.total // ROWS)),
        choices=choices(db, session.id) | {"kind": [one["name"] for one in as_json()]},
        people=[one.name for one in people(db)],
        spots=spots_of(db, [take.id for take in found.takes]),
        screens={one.take_id: one.by for one in leases(db, session.id, since)},
    )


@router.get("/keys")
def keys_page(request: Request, me: Me) -> HTMLResponse:
    """Show the keys of the audition page."""
    return show(request, "keys.html", me)
