"""Server-sent events: pages learn of changes by them (WHATWG HTML, section 9.2), whoever made them.

One watcher polls the store's counters every half second, while any page is connected, and wakes all listeners;
another process's intake shows that way like our own. An event carries the session's numbers, nothing more: the page
fetches what it shows. After a break the browser connects again by itself and gets the numbers at once.
"""

import asyncio
import contextlib
import json
from collections.abc import AsyncIterator
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Request
from sqlalchemy import Engine
from starlette.concurrency import run_in_threadpool
from starlette.responses import StreamingResponse

from triage.desk.access import AtDesk, Db, may
from triage.desk.pages import Here, Id
from triage.domain.errors import StoreError
from triage.store.changes import all_changes, changes
from triage.store.engine import reading

router = APIRouter(prefix="/api", tags=["live"])
Hears = Annotated[AtDesk, Depends(may("hear"))]
BEAT_S = 15.0  # a line now and then, so that nothing on the way takes the silence for the end
AGAIN_MS = 1000


class Watcher:
    """Polls every session's counters and wakes the listeners that wait for a change."""

    def __init__(self, engine: Engine, poll_s: float):
        self.engine, self.poll_s = engine, poll_s
        self.numbers: dict[int, dict[str, int]] = {}
        self.ended = False
        self._listeners: set[asyncio.Event] = set()
        self._task: asyncio.Task[None] | None = None

    async def events(self, session_id: int | None) -> AsyncIterator[str]:
        """Yield an event now and after every change; of one session, or of all summed up."""
        mine = asyncio.Event()
        self._listeners.add(mine)
        try:
            await self._poll()
            if self._task is None or self._task.done():
                self._task = asyncio.create_task(self._watch())
            yield f"retry: {AGAIN_MS}\n\n"
            last = None
            while not self.ended:
                now = self._of(session_id)
                if now != last:
                    last = now
                    yield f"event: change\ndata: {json.dumps(now)}\n\n"
                mine.clear()
                with contextlib.suppress(TimeoutError):
                    await asyncio.wait_for(mine.wait(), BEAT_S)
                    continue
                yield ": still here\n\n"
        finally:
            self._listeners.discard(mine)

    async def end(self) -> None:
        """Disconnect all listeners."""
        self.ended = True
        self._wake()
        if self._task is not None:
            self._task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._task

    def _of(self, session_id: int | None) -> dict[str, int]:
        if session_id is not None:
            return self.numbers.get(session_id, {"takes": 0, "verdicts": 0})
        both = self.numbers.values()
        return {"takes": sum(n["takes"] for n in both), "verdicts": sum(n["verdicts"] for n in both)}

    async def _watch(self) -> None:
        while self._listeners and not self.ended:
            await asyncio.sleep(self.poll_s)
            await self._poll()

    async def _poll(self) -> None:
        try:
            found = await run_in_threadpool(self._ask)
        except StoreError:
            return  # the store is away; it is asked again, and pages keep what they show
        if found != self.numbers:
            self.numbers = found
            self._wake()

    def _ask(self) -> dict[int, dict[str, int]]:
        with reading(self.engine) as db:
            return all_changes(db)

    def _wake(self) -> None:
        for listener in self._listeners:
            listener.set()


@router.get("/s/{session_id}/live", response_class=StreamingResponse)
async def live(request: Request, session_id: Id, me: Hears) -> StreamingResponse:
    """Send every change of a session for as long as the page is open."""
    return _stream(request, session_id)


@router.get("/live", response_class=StreamingResponse)
async def live_everywhere(request: Request, me: Hears) -> StreamingResponse:
    """Send every change of any session."""
    return _stream(request, None)


@router.get("/s/{session_id}/change")
def change_numbers(session: Here, me: Hears, db: Db) -> dict[str, Any]:
    """Return how often takes and verdicts of a session have changed."""
    return changes(db, session.id)


def _stream(request: Request, session_id: int | None) -> StreamingResponse:
    watcher: Watcher = request.app.state.watcher
    return StreamingResponse(watcher.events(session_id), media_type="text/event-stream")
