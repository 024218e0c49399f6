"""The whole program on loopback: the demo's site and plant, a gateway, and ways to wait."""

from __future__ import annotations

import asyncio
import socket
import sqlite3
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Any

import httpx

from gateway.demo import control
from gateway.demo.control import demo_site_path, run_plant
from gateway.plant.site import Site
from gateway.plant.sitefile import read_site
from gateway.run import run_gateway
from gateway.settings import Settings

LIMITS = httpx.Limits(keepalive_expiry=2.0)
"""An idle connection is given up before the server gives it up, after 5 s: a request that meets
that moment fails."""
ANSWER_S = 60.0
"""For an answer: a machine that stands still for a while is no fault."""
TIMEOUT_S = 3.0
"""For an answer of a controller, which the gateway's own process serves here: the demo's 0.6 s are
over whenever that stands still."""


def free_ports(n: int) -> list[int]:
    probes = [socket.socket() for _ in range(n)]
    for probe in probes:
        probe.bind(("127.0.0.1", 0))
    ports = [int(probe.getsockname()[1]) for probe in probes]
    for probe in probes:
        probe.close()
    return ports


def archive() -> Site:
    """The demo's site with its controllers on free ports, and patience with them."""
    site = read_site(demo_site_path())
    controllers = {
        key: noun.model_copy(update={"port": port, "timeout_s": TIMEOUT_S})
        for (key, noun), port in zip(
            site.controllers.items(), free_ports(len(site.controllers)), strict=True
        )
    }
    return site.model_copy(update={"controllers": controllers})


@asynccontextmanager
async def plant(site: Site) -> AsyncIterator[httpx.AsyncClient]:
    """The demo plant and its switches; its time goes on however long the machine stands still."""
    vars(control)["MOST_BEHIND_S"] = 60.0
    (port,), ready = free_ports(1), asyncio.Event()
    task = asyncio.create_task(run_plant(site, seed=3, http_port=port, ready=ready), name="plant")
    async with asyncio.timeout(60):
        await ready.wait()
    try:
        address = f"http://127.0.0.1:{port}"
        async with httpx.AsyncClient(base_url=address, timeout=ANSWER_S, limits=LIMITS) as client:
            yield client
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


@asynccontextmanager
async def gateway(site: Site, settings: Settings) -> AsyncIterator[httpx.AsyncClient]:
    """A running gateway and a client of its interface."""
    stop, address = asyncio.Event(), asyncio.Queue[str]()
    task = asyncio.create_task(
        run_gateway(site, settings, ready=address.put_nowait, stop=stop), name="gateway"
    )
    try:
        async with asyncio.timeout(60):
            base = await address.get()
        async with httpx.AsyncClient(base_url=base, timeout=ANSWER_S, limits=LIMITS) as client:
            yield client
    finally:
        stop.set()
        await task


async def until(
    seconds: float, what: str, look: Callable[[], Awaitable[Any]], every: float = 0.1
) -> float:
    """Wait until `look` gives something true; how long it took."""
    start = time.monotonic()
    while not await look():
        assert time.monotonic() - start < seconds, f"not within {seconds} s: {what}"
        await asyncio.sleep(every)
    return time.monotonic() - start


def journal(folder: Path, kind: str = "finding") -> list[tuple[str, str, str]]:
    """(fault, subject, phase) from the file itself, in order."""
    return [(fault, subject, phase) for fault, subject, phase, *_ in entries(folder, kind)]


def entries(folder: Path, kind: str) -> list[tuple[str, str, str, str, str]]:
    """(fault, subject, phase, actor, reason) from the file itself, in order."""
    question = (
        "SELECT fault, subject, phase, actor, reason FROM journal WHERE kind = ? ORDER BY seq"
    )
    return _asked(folder, question, kind)


def rows_between(folder: Path, start: float, end: float) -> int:
    """How many rows the file has after one moment up to another, s since 1970.

    How soon something follows is counted in rows, of which there is one a second: a machine that
    stands still makes none, and is no fault of the program.
    """
    question = "SELECT count(*) FROM scans WHERE time > ? AND time <= ?"
    ((count,),) = _asked(folder, question, start, end)
    return int(count)


def _asked(folder: Path, question: str, *given: object) -> list[Any]:
    file = folder / "state" / "history.sqlite3"
    connection = sqlite3.connect(f"{file.as_uri()}?mode=ro", uri=True)
    try:
        return connection.execute(question, given).fetchall()
    finally:
        connection.close()
