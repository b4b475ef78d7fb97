"""The page of what was just played: whoever leads the session sees, take after take, whether to go again, and why.

`triage watch` brings the takes in; the page updates by itself. What it says is the judge's doubt in words: go again
where a producer would more likely reject the take than not, listen where it is not so small.
"""

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from triage.desk.access import Db, Me
from triage.desk.pages import Here, in_navigation, show
from triage.store.just_played import FEW, JustPlayed, just_played, unread_takes
from triage.store.session_progress import ahead, last_takes, mic_troubles

router = APIRouter(include_in_schema=False)
GO_AGAIN, LISTEN = 0.5, 0.15  # of doubt: the probability that a producer would reject the take
TAKES, REASONS = 8, 4
ADVICE = {"again": "Go again?", "listen": "Listen once", "stands": "Nothing stands out", "unknown": "Not judged yet"}
in_navigation(3, "played", "Just played")


@router.get("/s/{session_id}/played")
def played_page(request: Request, me: Me, db: Db, session: Here) -> HTMLResponse:
    """Show the takes that were recorded last, with the advice on each."""
    takes = [(one, advice(one)) for one in just_played(db, session.id, TAKES)]
    last = last_takes(db, session.id)
    return show(
        request,
        "just_played.html",
        me,
        session=session,
        takes=takes,
        ahead=ahead(db, session.id, last),
        troubles=mic_troubles(db, session.id, last),
        unheard=unread_takes(db, session.id),
        words=ADVICE,
        reasons=REASONS,
        few=FEW,
        again=GO_AGAIN,
        listen=LISTEN,
    )


def advice(one: JustPlayed) -> str:
    """Return what to do about a take: one of ADVICE."""
    doubt = one.take.doubt
    if doubt is None:
        return "unknown"
    return "again" if doubt >= GO_AGAIN else "listen" if doubt >= LISTEN else "stands"
