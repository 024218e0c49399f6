"""The server inside the daemon: listens, says where, and closes in order."""

from __future__ import annotations

import asyncio
import errno
import socket
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import structlog
import uvicorn

from gateway.checking.checks import Checks
from gateway.errors import DiskError, StartError
from gateway.live import Live
from gateway.settings import Settings

from .app import make_app
from .gate import Gate, local_token
from .past import Past, stored
from .streams import Streams

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
) -> None:
    """Serve pages and interface until cancelled; event streams then end at once.

    store: the history file; the token for actions lies beside it. checks: loop checks. ready:
    called with the page's address once it can be opened. StartError, naming address and port, when
    that is not to be had, or the token cannot be used; a disk that takes no token only keeps people
    from acting.
    """
    token = ""
    if settings.http_actions:
        try:
            token = local_token(store.parent)
        except DiskError as error:
            log.warning("nobody may act until the next start: no token", reason=str(error))
    await serve_past(live, stored(store), settings, ready, token=token, checks=checks)


async def serve_past(
    live: Live,
    past: Past,
    settings: Settings,
    ready: Callable[[str], None] | None = None,
    *,
    token: str = "",
    checks: Checks | None = None,
) -> None:
    """As `serve`, over any past; token: what whoever acts must hold, "": nobody may act."""
    streams = Streams()
    app = make_app(live, past, gate=Gate(token), streams=streams, clock=time.time, checks=checks)
    with listening(settings.http_host, settings.http_port) as sock:
        address = address_of(sock)
        server = _Server(
            uvicorn.Config(
                app, lifespan="off", ws="none", access_log=False, log_config=None,
                log_level="warning", server_header=False, timeout_graceful_shutdown=int(CLOSE_S),
            ),
            lambda: ready(address) if ready else None,
        )  # fmt: skip
        log.info("pages", address=address)
        try:
            await server.serve(sockets=[sock])
        finally:
            streams.end()
            await server.close(sock)


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
        # Connections inherit it: a phone that left without a word does not stay counted.
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, SILENT_MS)
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


def address_of(sock: socket.socket) -> str:
    """What to type into a browser on this machine."""
    host, port = sock.getsockname()[:2]
    host = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(host, host)
    return f"http://[{host}]:{port}/" if ":" in host else f"http://{host}:{port}/"
