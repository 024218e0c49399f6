"""Polls one controller for ever, whatever it does or does not answer."""

from __future__ import annotations

import asyncio
import random
import time
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field, replace
from math import inf

import numpy as np
import structlog

from gateway.errors import LinkError, ReplyError
from gateway.live import LinkState
from gateway.measure.blocks import Codes, Floats
from gateway.measure.quality import Reason
from gateway.plant.controllers import Controller

from .connection import Connection, RefusedError, ask
from .gate import CutShortError
from .plan import Request, plan
from .scan import Scan, worst
from .schedule import backoff, due, following
from .words import decode

KEEP_OPEN_S = 30.0
"""Between polls further apart than this the connection is closed: firewalls forget idle ones
without a word, and small controllers have few to give."""

_log = structlog.get_logger()


@dataclass(frozen=True)
class Clocks:
    """Time and luck, as given by the caller."""

    monotonic: Callable[[], float] = time.monotonic
    wall: Callable[[], float] = time.time
    sleep: Callable[[float], Awaitable[None]] = asyncio.sleep
    rng: Callable[[], float] = random.random


async def poll_controller(
    controller_id: str,
    controller: Controller,
    deliver: Callable[[Scan], None],
    *,
    offset_s: float,
    monotonic: Callable[[], float] = time.monotonic,
    wall: Callable[[], float] = time.time,
    sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
    rng: Callable[[], float] = random.random,
) -> None:
    """Deliver a scan every `interval_s`, the first after `offset_s`, until cancelled.

    A controller that does not answer delivers scans too; ticks that fall due while one is still
    busy are missed and counted. Nothing that a peer sends raises; PlanError before the first
    poll where the points cannot be read as the site file wants.
    """
    poller = _Poller(controller_id, controller, Clocks(monotonic, wall, sleep, rng))
    start, number = monotonic() + offset_s, 0
    told = Reason.NOT_READ_YET
    try:
        while True:
            await sleep(max(0.0, due(start, controller.interval_s, number) - monotonic()))
            scan = await poller.scan()
            told = _tell(told, scan)
            deliver(scan)
            number, missed = following(start, controller.interval_s, number, monotonic())
            poller.miss(missed)
    finally:
        poller.close()


async def read_once(controller_id: str, controller: Controller) -> Scan:
    """Connect, read every point once, close.

    Never raises for what a peer does: failures are reasons in the scan, and in words in its
    `link.reason`. Takes at most `timeout_s` for the connection and for each request, and stops at
    the first one without an answer. PlanError as `plan`.
    """
    poller = _Poller(controller_id, controller, Clocks())
    try:
        return await poller.scan()
    finally:
        poller.close()


@dataclass
class _Reading:
    """What one tick brings, as it comes in."""

    values: Floats
    reasons: Codes
    answers: int = 0
    """Requests answered in due form, exceptions included."""
    troubles: list[str] = field(default_factory=list)

    def fill(self, request: Request, words: tuple[int, ...]) -> None:
        self.answers += 1
        columns = [place.column for place in request.points]
        values = np.array(
            [
                decode(p.point, words[p.offset : p.offset + p.point.registers])
                for p in request.points
            ]
        )
        self.values[columns] = values
        self.reasons[columns] = np.where(np.isnan(values), Reason.INVALID_VALUE, Reason.NONE)

    def bad(self, request: Request, error: ReplyError) -> None:
        self.answers += isinstance(error, RefusedError)
        self.reasons[[place.column for place in request.points]] = Reason.BAD_REPLY
        self.troubles.append(str(error))

    def lost(self, error: LinkError) -> None:
        self.troubles.insert(0, str(error))

    def in_words(self) -> str:
        more = f" (and {len(self.troubles) - 1} more)" if len(self.troubles) > 1 else ""
        return self.troubles[0] + more if self.troubles else ""


class _Poller:
    """A controller's requests, its connection while it has one, and how it has answered."""

    def __init__(self, name: str, controller: Controller, clocks: Clocks) -> None:
        self._controller = controller
        self._clocks = clocks
        self._requests = plan(controller)
        self._connection: Connection | None = None
        self._link = LinkState(name)
        self._failed = 0
        self._retry_at = -inf
        self._silence = Reason.NO_COMMUNICATION

    async def scan(self) -> Scan:
        """Read every point, or say why not; while waiting to try again, at once."""
        began = self._clocks.monotonic()
        if began < self._retry_at:
            reading = self._blank(self._silence)
        else:
            reading = await self._read()
            self._settle(reading, began)
        link = self._link
        self._link = replace(
            link,
            connected=reading.answers > 0,
            polls=link.polls + 1,
            failures=link.failures
            + (reading.answers == 0 or worst(reading.reasons) is not Reason.NONE),
        )
        name = self._link.controller
        return Scan(name, self._clocks.wall(), reading.values, reading.reasons, self._link)

    def miss(self, ticks: int) -> None:
        """Count ticks that fell due while the last one was busy."""
        self._link = replace(self._link, missed_ticks=self._link.missed_ticks + ticks)

    def close(self) -> None:
        """Close the connection, if there is one."""
        if self._connection:
            self._connection.close()
            self._connection = None

    def _blank(self, reason: Reason) -> _Reading:
        points = len(self._controller.points)
        return _Reading(np.full(points, np.nan), np.full(points, reason, dtype=np.uint8))

    async def _read(self) -> _Reading:
        reading = self._blank(Reason.NO_COMMUNICATION)
        if not self._requests:
            reading.troubles.append("it has no points to read")
        for i, request in enumerate(self._requests):
            if i and self._controller.reads.pause_s:
                await self._clocks.sleep(self._controller.reads.pause_s)
            try:
                words = await ask(self._connected, request.table, request.address, request.count)
            except CutShortError as error:
                reading.bad(request, error)
                break
            except ReplyError as error:
                reading.bad(request, error)
            except LinkError as error:
                reading.lost(error)
                break
            else:
                reading.fill(request, words)
        return reading

    async def _connected(self) -> Connection:
        if self._connection and not self._connection.closed:
            return self._connection
        fresh = Connection(self._controller)
        await fresh.open()
        if self._connection:
            self._link = replace(self._link, reconnects=self._link.reconnects + 1)
        self._connection = fresh
        return fresh

    def _settle(self, reading: _Reading, began: float) -> None:
        """Draw the consequences of a tick for the next ones."""
        now = self._clocks.monotonic()
        if reading.answers:
            self._failed = 0
        found = worst(reading.reasons)
        if found is Reason.NO_COMMUNICATION or (found and not reading.answers):
            self._failed += 1
            self._retry_at = now + backoff(self._failed, self._clocks.rng())
            self._silence = found
        if self._controller.interval_s > KEEP_OPEN_S:
            self.close()
        self._link = replace(
            self._link,
            reason=reading.in_words(),
            last_answer=self._clocks.wall() if reading.answers else self._link.last_answer,
            response_ms=1000 * (now - began),
        )


def _tell(told: Reason, scan: Scan) -> Reason:
    """Log a change in how a controller answers; gives what has been told now."""
    found = worst(scan.reasons)
    if found is told:
        return told
    log = _log.bind(controller=scan.controller)
    if found is Reason.NONE:
        log.info("controller answers")
    elif found is Reason.BAD_REPLY:
        log.warning("controller answers badly", reason=scan.link.reason)
    else:
        log.warning("controller lost", reason=scan.link.reason)
    return found
