"""A desk served on a free port of this machine, in a thread of this process, and people who come to it."""

import re
import threading
import time
from dataclasses import replace
from typing import Any

import httpx
import uvicorn

from triage.desk.app import create_app
from triage.desk.serving import listening
from triage.desk.settings import DeskSettings

TOKEN = re.compile(r'name="form_token" value="([^"]+)"')


class Served:
    """A running desk; ``stop`` ends it as Ctrl-C would."""

    def __init__(self, settings: DeskSettings):
        self.clients: list[httpx.Client] = []
        self.socket = listening(replace(settings, port=0))
        self.settings = replace(settings, port=self.socket.getsockname()[1])
        self.app = create_app(self.settings)
        config = uvicorn.Config(self.app, log_level="error", access_log=False, timeout_graceful_shutdown=1, ws="none")
        self.server = uvicorn.Server(config)
        self.thread = threading.Thread(target=self.server.run, args=([self.socket],), daemon=True)
        self.thread.start()
        until_s = time.monotonic() + 20
        while not self.server.started:
            assert time.monotonic() < until_s and self.thread.is_alive(), "the desk did not start"
            time.sleep(0.01)

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.settings.port}"

    def stop(self) -> None:
        self.server.should_exit = True
        self.thread.join(20)
        self.socket.close()
        for client in self.clients:
            client.close()

    def stranger(self) -> httpx.Client:
        """Return a browser that nobody is signed in with."""
        self.clients.append(httpx.Client(base_url=self.url, timeout=120))
        return self.clients[-1]

    def person(self, name: str = "anna", role: str = "editor", password: str = "") -> "AtDesk":
        """Return somebody who came in."""
        client = self.stranger()
        answer = come_in(client, name, role, password)
        assert answer.status_code == 303, answer.text
        return AtDesk(client)


class AtDesk:
    """Somebody at the desk, who sends the form token along as a page would."""

    def __init__(self, client: httpx.Client):
        self.client = client
        self.token = self.get("/api/me").json()["form_token"]

    def get(self, path: str, **options: Any) -> httpx.Response:
        return self.client.get(path, **options)

    def post(self, path: str, body: Any = None, **headers: str) -> httpx.Response:
        return self.client.post(path, json=body or {}, headers={"X-Form-Token": self.token} | headers)


def come_in(client: httpx.Client, name: str, role: str = "", password: str = "", then: str = "/") -> httpx.Response:
    """Fill in the form for signing in and send it."""
    token = TOKEN.search(client.get("/sign-in").text)
    assert token is not None
    form = {"form_token": token[1], "name": name, "role": role, "password": password, "then": then}
    return client.post("/sign-in", data=form)
