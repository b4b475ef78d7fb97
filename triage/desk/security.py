"""Security: which requests are answered at all, what a browser may do with the answer, and form tokens.

``Guard`` wraps the whole application. A request must name a host that the desk goes by (else another site could point
its own name here), and one that changes something must come from the desk's own pages. A form token is a keyed digest
of the log-in it belongs to: a forged request cannot know it.
"""

import hashlib
import hmac
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import JSONResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from triage.desk.settings import DeskSettings

SAFE = ("GET", "HEAD", "OPTIONS")
MOST_BODY_BYTES = 64_000  # of a request: verdicts and preferences are small
ASK_AGAIN = "no-cache"  # may be kept, with its ETag, but is asked for: after an upgrade scripts must fit the pages
POLICY = {
    "default-src": "'none'",
    "script-src": "'self'",
    "style-src": "'self'",
    "img-src": "'self' data: blob:",
    "media-src": "'self' blob:",
    "connect-src": "'self'",
    "font-src": "'self'",
    "form-action": "'self'",
    "base-uri": "'none'",
    "frame-ancestors": "'none'",
}
HEADERS = {
    "Content-Security-Policy": "; ".join(f"{name} {value}" for name, value in POLICY.items()),
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",  # none at all makes browsers send `Origin: null` with our own forms
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
}


class Guard:
    """Refuses foreign hosts, foreign origins and large bodies; adds the headers to every answer."""

    def __init__(self, app: ASGIApp, settings: DeskSettings):
        self.app, self.settings = app, settings

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers[name] = value
                headers.setdefault("Cache-Control", ASK_AGAIN if scope["path"].startswith("/static/") else "no-store")
            await send(message)

        if refusal := self._refusal(scope["method"], Headers(scope=scope)):
            status, why = refusal
            await JSONResponse({"error": why}, status)(scope, receive, send_guarded)
        else:
            await self.app(scope, receive, send_guarded)

    def _refusal(self, method: str, headers: Headers) -> tuple[int, str] | None:
        if _host_of(f"//{headers.get('host', '')}") not in self.settings.hosts:
            return 421, "this desk does not go by that name; use its own address, or start it with --name"
        if method in SAFE:
            return None
        # A length is required, so that no endless body is read; browsers always send one.
        length = headers.get("content-length", "")
        if not length.isdecimal():
            return 411, "the request does not say how long it is"
        if int(length) > MOST_BODY_BYTES:
            return 413, f"the request has {length} bytes; {MOST_BODY_BYTES} are the most"
        origin = headers.get("origin")
        if origin is not None and not self._is_own(origin, headers["host"]):
            return 403, "the request comes from another site"
        if headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
            return 403, "the request comes from another site"
        return None

    def _is_own(self, origin: str, host: str) -> bool:
        return origin.casefold() == f"{self.settings.scheme}://{host}".casefold()


def form_token(key: bytes, holder: str) -> str:
    """Return the form token of whoever holds this log-in or sign-in token."""
    return hmac.new(key, f"form {holder}".encode(), hashlib.sha256).hexdigest()


def is_form_token(key: bytes, holder: str, given: str) -> bool:
    """Tell whether a form token is the right one, in the same time whichever of its characters are wrong."""
    return hmac.compare_digest(form_token(key, holder).encode(), given.encode("utf-8", "replace"))


def _host_of(url: str) -> str | None:
    try:
        return urlsplit(url).hostname
    except ValueError:
        return None
