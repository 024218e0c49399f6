"""The demo plant while it runs: Modbus servers, the page that breaks things, and time passing."""

from __future__ import annotations

import asyncio
import socket
import time
from collections.abc import AsyncIterator, Iterator
from contextlib import AsyncExitStack, asynccontextmanager, contextmanager
from ipaddress import ip_address
from pathlib import Path

import structlog
import uvicorn

from gateway.errors import StartError
from gateway.plant.site import Site

from .plant import Plant
from .server import station
from .switchboard import application

TICK_S = 0.1
MOST_BEHIND_S = 1.0
"""After a longer pause (a sleeping laptop) the plant goes on from where it was."""
LOOPBACK = "127.0.0.1"

log = structlog.get_logger(__name__)


def demo_site_path() -> Path:
    """The example site file: packaged with an installed program, else the repository's own."""
    packaged = Path(__file__).parent / "site" / "harbour-archive.toml"
    if packaged.is_file():
        return packaged
    return Path(__file__).parents[2] / "config" / "harbour-archive.toml"


async def run_plant(
    site: Site,
    *,
    seed: int,
    http_port: int,
    speed: float = 1.0,
    ready: asyncio.Event | None = None,
) -> None:
    """Serve the plant until cancelled: Modbus at the site file's addresses, the page on loopback.

    http_port 0: any free port, as logged. speed: plant seconds in a second. `ready` is set once
    everything listens. StartError for a port in use, a controller that is not on loopback, or a
    site that is not the archive's.
    """
    for key, controller in site.controllers.items():
        _must_be_loopback(key, controller.host)
    plant = Plant(site, seed=seed, time=time.time())
    async with AsyncExitStack() as stack:
        for key in site.controllers:
            await stack.enter_async_context(station(plant, key))
        port = await stack.enter_async_context(_page(plant, http_port))
        log.info("demo plant runs", page=f"http://{LOOPBACK}:{port}/", seed=seed)
        if ready is not None:
            ready.set()
        await _pass_time(plant, speed)


async def _pass_time(plant: Plant, speed: float) -> None:
    loop = asyncio.get_running_loop()
    done = loop.time()
    while True:
        await asyncio.sleep(max(0.0, done + TICK_S - loop.time()))
        if loop.time() - done > MOST_BEHIND_S:
            done = loop.time() - TICK_S
        plant.step(TICK_S * speed)
        done += TICK_S


def _must_be_loopback(key: str, host: str) -> None:
    try:
        local = host == "localhost" or ip_address(host).is_loopback
    except ValueError:
        local = False
    if not local:
        raise StartError(
            f"controllers.{key}.host: {host!r}; allowed for the demo plant: {LOOPBACK}"
        )


class _Server(uvicorn.Server):
    """Leaves the signals of the process to whoever runs the plant."""

    def __init__(self, config: uvicorn.Config) -> None:
        super().__init__(config)
        self.listens = asyncio.Event()

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets)
        self.listens.set()

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield


@asynccontextmanager
async def _page(plant: Plant, port: int) -> AsyncIterator[int]:
    """The switchboard on loopback; yields its port. StartError when the port is in use."""
    try:
        listening = socket.create_server((LOOPBACK, port))
    except OSError as error:
        raise StartError(
            f"demo page: cannot listen on {LOOPBACK} port {port} ({error.strerror}); "
            "allowed: a port that no other program uses"
        ) from error
    with listening:
        listening.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)  # see gateway/web/serve.py
        server = _Server(
            uvicorn.Config(
                application(plant), lifespan="off", ws="none", log_config=None,
                access_log=False, server_header=False, timeout_graceful_shutdown=1,
            )
        )  # fmt: skip
        async with asyncio.TaskGroup() as tasks:
            task = tasks.create_task(server.serve(sockets=[listening]), name="demo page")
            await server.listens.wait()
            try:
                yield int(listening.getsockname()[1])
            finally:
                server.should_exit = True
                await asyncio.wait([task], timeout=3.0)
