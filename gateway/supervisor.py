"""What a service supervisor is told: ready, alive, stopping.

The protocol is sd_notify(3): one datagram a message to the socket named in NOTIFY_SOCKET. Nobody is
told anything where that is not set.
"""

from __future__ import annotations

import asyncio
import os
import socket
import time
from collections.abc import Awaitable, Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from typing import NoReturn

import structlog

from gateway.live import Live, Snapshot
from gateway.web.frame import fresh_within

PARTS = 3
"""Looks in the time in which the watchdog wants to hear something."""
STATUS_S = 10.0
"""Seconds between two looks when nobody watches."""
LONGEST = 200
"""Characters of a status."""

log = structlog.get_logger(__name__)


@dataclass(frozen=True)
class Supervisor:
    """address: of its socket, "" where there is none. watchdog_s: None when it does not watch."""

    address: str = ""
    watchdog_s: float | None = None

    def tell(self, *lines: str) -> None:
        """Send assignments such as READY=1; a supervisor that does not listen is no trouble."""
        if not self.address:
            return
        name = "\0" + self.address[1:] if self.address.startswith("@") else self.address
        with suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sender:
            sender.setblocking(False)  # noqa: FBT003 - the socket's own way
            sender.sendto("\n".join(lines).encode(), name)


def supervisor_of(environment: Mapping[str, str] | None = None) -> Supervisor:
    """Who supervises this process, from the environment that it was started with."""
    given = os.environ if environment is None else environment
    watched = given.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid())
    try:
        seconds = int(given.get("WATCHDOG_USEC", "0")) / 1e6
    except ValueError:
        seconds = 0.0
    return Supervisor(given.get("NOTIFY_SOCKET", ""), seconds if watched and seconds > 0 else None)


async def keep_told(
    live: Live,
    up: asyncio.Event,
    supervisor: Supervisor,
    *,
    clock: Callable[[], float] = time.monotonic,
    sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
) -> NoReturn:
    """Tell that the gateway is ready once `up` is set, then for ever that it lives.

    It lives while rows are made: a gateway that serves pages and makes no rows is let die and be
    started again. A disk that takes nothing and a controller that is silent are no reason.
    """
    await up.wait()
    supervisor.tell("READY=1", f"STATUS={status(live)}")
    limit, pause = fresh_within(live.site), STATUS_S
    if supervisor.watchdog_s is not None:
        pause = supervisor.watchdog_s / PARTS
    seen, fresh, fed = _time(live.latest), clock(), True
    while True:
        await sleep(pause)
        newest = _time(live.latest)
        alive = newest != seen or clock() - fresh <= limit
        if newest != seen:
            seen, fresh = newest, clock()
        if alive:
            supervisor.tell("WATCHDOG=1", f"STATUS={status(live)}")
        elif fed:
            log.error("no rows any more: the watchdog is not told that all is well")
            supervisor.tell(f"STATUS=no row for {clock() - fresh:.0f} s")
        fed = alive


def status(live: Live) -> str:
    """How the gateway is doing, in one line."""
    site, latest = live.site, live.latest
    answer = sum(link.connected for link in latest.links.values()) if latest else 0
    said = f"{site.site.id}: {answer} of {len(site.controllers)} controllers answer"
    if latest is None:
        said = f"{site.site.id}: no row yet"
    troubles = [f"{s.name}: {s.reason}" for s in live.sinks.values() if not s.connected]
    return " ".join("; ".join([said, *troubles]).split())[:LONGEST]


def _time(latest: Snapshot | None) -> float | None:
    return latest.time if latest else None
