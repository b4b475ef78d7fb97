"""Serving: the desk on an address of this machine, until it is stopped."""

import socket
from collections.abc import Callable
from pathlib import Path
from typing import Any

import uvicorn
from fastapi import FastAPI

from triage.desk.app import create_app
from triage.desk.settings import DeskSettings
from triage.domain.errors import ConfigError

ENDING_S = 2  # for answers under way; open pages hold a connection for changes and would never end it


class Server(uvicorn.Server):
    """A server that first disconnects pages which listen for changes; their connections would never end."""

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """End the watcher, then what is left."""
        if isinstance(self.config.app, FastAPI):
            await self.config.app.state.watcher.end()
        await super().shutdown(sockets)


def serve(
    settings: DeskSettings, certificate: tuple[Path, Path] | None = None, ready: Callable[[], None] | None = None
) -> None:
    """Serve the desk and call ``ready`` when it can be reached; ``certificate`` is a TLS certificate and its key."""
    app = create_app(settings)
    tls: dict[str, Any] = {}
    if certificate:
        for path in certificate:
            if not path.is_file():
                raise ConfigError(f"{path}: no such file; name the certificate and its key, both in PEM form")
        tls = {"ssl_certfile": str(certificate[0]), "ssl_keyfile": str(certificate[1])}
    config = uvicorn.Config(
        app,
        log_level="warning",
        access_log=False,
        server_header=False,
        proxy_headers=False,
        timeout_graceful_shutdown=ENDING_S,
        **tls,
    )
    listener = listening(settings)
    try:
        app.state.desk.background.start()
        if ready:
            ready()
        Server(config).run([listener])
    finally:
        listener.close()


def listening(settings: DeskSettings) -> socket.socket:
    """Return a socket that listens on the desk's address; one that is taken is an error."""
    family = socket.AF_INET6 if ":" in settings.host else socket.AF_INET
    # With the protocol named, asyncio switches Nagle's algorithm off; else small answers wait 40 ms for an ACK.
    listener = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((settings.host, settings.port))
        listener.listen(128)
        return listener
    except (OSError, OverflowError) as error:
        listener.close()
        reason = getattr(error, "strerror", None) or error
        raise ConfigError(
            f"{settings.address} cannot be served ({reason}); name another port with --port, or address with --host"
        ) from None
