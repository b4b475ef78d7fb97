"""The desk's application: ``create_app(settings)`` joins the store, the guards and the routes.

Every module of this package with a ``router`` is served: pages are in ``pages*.py`` and ``sign_in.py``; what their
scripts fetch is JSON under /api and sound under /audio, described by /api/openapi.json. Every route but signing in
wants a person.
"""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from importlib import import_module
from pathlib import Path
from pkgutil import iter_modules

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from sqlalchemy import Engine
from sqlalchemy.exc import DatabaseError
from starlette.exceptions import HTTPException as AnyHTTPException
from starlette.responses import JSONResponse, Response
from starlette.staticfiles import StaticFiles

from triage import __version__, desk
from triage.audition.excerpts import ExcerptCache
from triage.config import what_is_wrong
from triage.desk import pages, server_events
from triage.desk.access import Desk, whoever
from triage.desk.background_jobs import BackgroundJobs
from triage.desk.people import Throttle
from triage.desk.security import Guard
from triage.desk.settings import DeskSettings
from triage.domain.errors import AudioError, TriageError
from triage.store.accounts import accounts, secret_key
from triage.store.engine import open_store, writing

STATIC = Path(__file__).parent / "static"


def create_app(settings: DeskSettings, engine: Engine | None = None) -> FastAPI:
    """Return the desk's application; served beyond the loopback address without accounts is an error."""
    engine = engine or open_store(settings.store, create=False)
    with writing(engine) as db:
        settings.check(accounts(db))
        key = secret_key(db, "desk")
    watcher = server_events.Watcher(engine, settings.poll_s)

    @asynccontextmanager
    async def while_served(_: FastAPI) -> AsyncIterator[None]:
        yield
        await watcher.end()
        app.state.desk.background.end()
        app.state.desk.excerpts.close()
        engine.dispose()

    app = FastAPI(
        title="The desk",
        version=__version__,
        lifespan=while_served,
        openapi_url="/api/openapi.json",
        docs_url=None,
        redoc_url=None,  # their pages load scripts from elsewhere
    )
    app.state.desk = Desk(settings, engine, key, Throttle(), BackgroundJobs(engine, settings.store), ExcerptCache())
    app.state.watcher = watcher
    for found in iter_modules(desk.__path__, "triage.desk."):
        if router := getattr(import_module(found.name), "router", None):
            app.include_router(router)
    app.mount("/static", StaticFiles(directory=STATIC), name="static")
    app.add_middleware(Guard, settings=settings)
    app.add_exception_handler(AnyHTTPException, _refused)
    app.add_exception_handler(RequestValidationError, _invalid)
    app.add_exception_handler(TriageError, _one_line)
    return app


def _refused(request: Request, error: Exception) -> Response:
    assert isinstance(error, AnyHTTPException)
    if _wants_data(request):
        return JSONResponse({"error": str(error.detail)}, error.status_code, headers=error.headers)
    if error.status_code == 401:
        return pages.to_sign_in(request)
    return pages.error_page(request, whoever(request), error.status_code, str(error.detail))


def _invalid(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    first = error.errors()[0]
    where = ".".join(str(part) for part in first["loc"] if part not in ("body", "query", "path"))
    line = f"{where or 'what was sent'}: {what_is_wrong(first)}"
    if _wants_data(request):
        return JSONResponse({"error": line}, 422)
    return pages.error_page(request, whoever(request), 422, line)


def _one_line(request: Request, error: Exception) -> Response:
    """Answer what a person can put right: 503 where the store is away, 404 for sound that is not there, else 400."""
    away = isinstance(error.__cause__, DatabaseError)
    status = 503 if away else 404 if isinstance(error, AudioError) else 400
    if _wants_data(request):
        return JSONResponse({"error": str(error)}, status)
    # Who it is cannot be asked where the store is away.
    return pages.error_page(request, None if away else whoever(request), status, str(error))


def _wants_data(request: Request) -> bool:
    return request.url.path.startswith(("/api/", "/audio/", "/static/"))
