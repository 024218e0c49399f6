"""The server inside the daemon: listens, says where, and closes in order."""

from __future__ import annotations

import asyncio
import errno
import socket
import ssl
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path

import structlog
import uvicorn
from fastapi import FastAPI

from gateway.checking.checks import Checks
from gateway.errors import DiskError, StartError
from gateway.live import Live
from gateway.people.book import Book
from gateway.record.journal import Entry
from gateway.record.wishes import ask_to_relearn
from gateway.settings import Settings

from .app import make_app, make_ready
from .door import Door
from .gate import Gate, local_token
from .past import Past, stored
from .sessions import Session, Sessions
from .streams import Streams
from .tls import beyond_this_machine, context_of

CLOSE_S = 2.0
"""Longest wait for answers that are under way when the server closes."""
SILENT_MS = 20_000
"""A reader that takes no data for this long is cut off; a browser comes back by itself."""

log = structlog.get_logger(__name__)


async def serve(
    live: Live,
    store: Path,
    settings: Settings,
    ready: Callable[[str], None] | None = None,
    *,
    checks: Checks | None = None,
    note: Callable[[Entry], None] = lambda _: None,
) -> None:
    """Serve pages and interface until cancelled; event streams then end at once.

    store: the history file; people and the local token lie beside it. checks: loop checks. note:
    puts into the journal who signs in and out. ready: called with the page's address once it can be
    opened. StartError, naming address and port, when that is not to be had, or a file cannot be
    used; a disk that takes no token only keeps programs from acting.
    """
    token = ""
    if settings.http_actions:
        try:
            token = local_token(store.parent)
        except DiskError as error:
            log.warning("no program may act until the next start: no token", reason=str(error))
    door = door_of(live.site.site.id, store.parent, settings, token, note)
    relearn = partial(ask_to_relearn, store.parent)
    await serve_past(
        live, stored(store), settings, ready, door=door, checks=checks, relearn=relearn
    )


def door_of(
    site: str, folder: Path, settings: Settings, token: str, note: Callable[[Entry], None]
) -> Door:
    """Who may look and act, by the settings and the people in a folder; "": no token."""
    people = Book(folder)

    def ended(session: Session) -> None:
        door.tell("signed out", session.name, session.name, session.ended, f"As {session.role}")

    sessions = Sessions(
        people, idle_s=60 * settings.http_idle_minutes,
        longest_s=3600 * settings.http_session_hours, ended=ended,
    )  # fmt: skip
    door = Door(
        gate=Gate(token, actions=settings.http_actions), people=people, sessions=sessions,
        note=note, viewing=settings.http_viewing == "open", site=site,
    )  # fmt: skip
    return door


async def serve_past(
    live: Live,
    past: Past,
    settings: Settings,
    ready: Callable[[str], None] | None = None,
    *,
    door: Door | None = None,
    checks: Checks | None = None,
    relearn: Callable[[str, str, str], object] | None = None,
) -> None:
    """As `serve`, over any past; door: who may look and act; relearn: see `Sources`."""
    streams, tls = Streams(), context_of(settings)
    app = make_app(
        live,
        past,
        door=door,
        streams=streams,
        clock=time.time,
        checks=checks,
        relearn=relearn,
        hsts=tls is not None,
    )
    make_ready(app)
    with listening(settings.http_host, settings.http_port) as sock:
        address = address_of(sock, encrypted=tls is not None)
        server = _Server(_config(app, tls), lambda: ready(address) if ready else None)
        log.info("pages", address=address)
        if tls is None and beyond_this_machine(settings.http_host):
            log.warning(
                "pages are open to the network and not encrypted: passwords can be read on the way",
                host=settings.http_host,
                allowed="LOOPWITNESS_HTTP_TLS_CERT_FILE and _KEY_FILE, a proxy with TLS, or "
                "LOOPWITNESS_HTTP_HOST=127.0.0.1",
            )
        try:
            await server.serve(sockets=[sock])
        finally:
            streams.end()
            await server.close(sock)


def _config(app: FastAPI, tls: ssl.SSLContext | None) -> uvicorn.Config:
    config = uvicorn.Config(
        app, lifespan="off", ws="none", access_log=False, log_config=None,
        log_level="warning", server_header=False, timeout_graceful_shutdown=int(CLOSE_S),
    )  # fmt: skip
    config.load()
    config.ssl = tls  # made by ourselves: the library's own words for a bad file say too little
    return config


class _Server(uvicorn.Server):
    """Leaves signals alone, tells when it listens, and can be closed from outside."""

    def __init__(self, config: uvicorn.Config, listens: Callable[[], None]) -> None:
        super().__init__(config)
        self._listens = listens

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Signals belong to the command, not to one of its servers."""
        yield

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """As the parent's; then tell."""
        await super().startup(sockets)
        self._listens()

    async def close(self, sock: socket.socket) -> None:
        """Let answers that are under way end, then cut off what did not."""
        if not self.started:
            return
        await self.shutdown(sockets=[sock])
        for connection in list(self.server_state.connections):
            # A reader that reads nothing holds its own answer up.
            if connection.transport is not None:
                connection.transport.abort()
        late = list(self.server_state.tasks)
        for task in late:
            task.cancel()
        if late:
            await asyncio.wait(late, timeout=CLOSE_S)


@contextmanager
def listening(host: str, port: int) -> Iterator[socket.socket]:
    """A listening TCP socket; StartError, naming address and port, when it is not to be had."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        sock = socket.create_server((host, port), family=family, backlog=128)
    except OSError as error:
        raise StartError(f"{host}:{port}: {_why(error)}") from error
    with sock:
        # Connections inherit both: a phone that left without a word does not stay counted, and
        # what is ready goes out at once, not when the reader has said that it has the head (40 ms;
        # asyncio sees to that only for sockets that it made itself).
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, SILENT_MS)
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        sock.setblocking(False)  # noqa: FBT003 - the socket's own way
        yield sock


def _why(error: OSError) -> str:
    if error.errno == errno.EADDRINUSE:
        return (
            "another program listens there; allowed: a free port, or 0 for any "
            "(LOOPWITNESS_HTTP_PORT)"
        )
    if error.errno == errno.EACCES:
        return "not allowed for this user; allowed: a port from 1024 on (LOOPWITNESS_HTTP_PORT)"
    return f"{error.strerror}; allowed: an address of this machine (LOOPWITNESS_HTTP_HOST)"


def address_of(sock: socket.socket, *, encrypted: bool = False) -> str:
    """What to type into a browser on this machine."""
    host, port = sock.getsockname()[:2]
    host = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(host, host)
    scheme = "https" if encrypted else "http"
    return f"{scheme}://[{host}]:{port}/" if ":" in host else f"{scheme}://{host}:{port}/"
