"""Forgetting: old rows go in small steps, between which the writer gets its turn."""

from __future__ import annotations

import asyncio
import sqlite3
import time
from collections.abc import Awaitable, Callable

import structlog

from gateway.errors import StoreError

from . import rollup
from .store import Store

STEP_ROWS = 500
ROLLUPS_FACTOR = 5
"""One-minute summaries outlive the rows by this factor: they are small, and drift is slow."""
EVERY_S = 3600.0
DAY_MS = 86_400_000

log = structlog.get_logger(__name__)


async def prune(store: Store, keep_days: float, now: float | None = None) -> int:
    """Remove rows older than `keep_days` before `now` (seconds since 1970); how many went.

    Events that no broker took in that time go too. The journal stays. StoreError when the disk
    does not take it.
    """
    now = time.time() if now is None else now
    before = round(now * 1000 - keep_days * DAY_MS)
    removed = 0
    while step := await store.ask(_step, before):
        removed += step
    await store.ask(_rest, before, round(now * 1000 - keep_days * ROLLUPS_FACTOR * DAY_MS))
    return removed


def _step(connection: sqlite3.Connection, before: int) -> int:
    """Remove the oldest rows, at most STEP_ROWS; how many went."""
    (last,) = connection.execute(
        "SELECT max(time_ms) FROM"
        " (SELECT time_ms FROM scans WHERE time_ms < ? ORDER BY time_ms LIMIT ?)",
        (before, STEP_ROWS),
    ).fetchone()
    if last is None:
        return 0
    gone = connection.execute("DELETE FROM scans WHERE time_ms <= ?", (last,)).rowcount
    connection.execute("DELETE FROM readings WHERE time_ms <= ?", (last,))
    return gone


def _rest(connection: sqlite3.Connection, before: int, rollups_before: int) -> None:
    connection.execute("DELETE FROM rollups WHERE hour_ms < ?", (rollups_before - rollup.HOUR_MS,))
    lost = connection.execute(
        "DELETE FROM outbox WHERE seq IN"
        " (SELECT seq FROM journal JOIN outbox USING (seq) WHERE time_ms < ?)",
        (before,),
    ).rowcount
    if lost:
        log.warning("events too old for the broker removed", events=lost)


async def keep_pruned(
    store: Store,
    keep_days: float,
    *,
    clock: Callable[[], float] = time.time,
    sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
) -> None:
    """Prune every hour for ever; a disk that does not take it is tried again an hour later."""
    while True:
        try:
            removed = await prune(store, keep_days, clock())
        except StoreError as error:
            log.warning("old rows not removed", reason=str(error))
        else:
            if removed:
                log.info("old rows removed", rows=removed)
        await sleep(EVERY_S)
