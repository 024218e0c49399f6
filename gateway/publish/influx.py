"""The time-series side: stored rows, in order, to a server that speaks the InfluxDB v2 write."""

from __future__ import annotations

import asyncio
import sqlite3
import time
from collections.abc import Awaitable, Callable, Sequence
from pathlib import Path

import structlog

from gateway.errors import StoreError
from gateway.live import Live
from gateway.measure.columns import Columns, columns
from gateway.record import cursors, history, poison
from gateway.record.history import NEVER_MS, Rows
from gateway.record.store import Store
from gateway.settings import Settings

from .backoff import delays
from .destination import NAME, begin
from .lines import lines
from .pace import Pace
from .progress import Progress
from .server import Late, Refused, Server, Unreachable, server
from .sink import Sink

BATCH_LINES = 5_000
DOUBT = 20
"""After so many refused lines and none taken, others of the batch are tried: is it the server?"""
PROBES = 8

Write = Callable[[Sequence[str]], Awaitable[None]]

log = structlog.get_logger(__name__)


async def forward_influx(live: Live, store: Store, settings: Settings) -> None:
    """Forward stored rows for ever; returns only by being cancelled.

    Rows come from the store, not from memory, after a cursor that is kept there, so nothing is
    missing after an outage of either side; the last rows before one are sent again. A server that
    is gone is tried again after 1 to 60 s, one that is slow is given less at a time and longer for
    it; how it is doing stands in `live.sinks["influx"]`.
    Lines that it refuses are set aside in the table `poison`.
    """
    sink = Sink(NAME, live.sinks, (settings.influx_token.get_secret_value(),))
    where = columns(live.site)
    waits, pace = delays(), Pace()
    async with server(settings, pace) as there:
        while True:
            before = sink.state.sent
            try:
                await _session(there, store, sink, where, live.site.site.id, settings)
            except Late as error:
                pace.late()
                sink.down(str(error))
            except (Unreachable, StoreError) as error:
                sink.down(str(error))
            if sink.state.sent > before:
                waits = delays()
            await asyncio.sleep(next(waits))


async def _session(
    there: Server, store: Store, sink: Sink, where: Columns, site_id: str, settings: Settings
) -> None:
    progress = Progress(await store.ask(begin, settings))
    aside = await store.ask(poison.count, NAME)
    most = max(1, BATCH_LINES // max(1, len(where.transducers.ids) + len(where.loops.ids)))
    connections, rested = None, True
    while True:
        limit = there.pace.rows(most)
        upto = NEVER_MS if store.upto_ms is None else store.upto_ms
        rows, waiting = await asyncio.to_thread(_read, store.file, progress, limit, upto)
        sink.waiting(waiting)
        if rows is not None:
            batch = lines(site_id, rows, where)
            refused = await deliver(there.write, batch)
            if refused:
                aside = await store.ask(_set_aside, refused)
            settled = progress.settled
            renewed = connections is not None and there.connections > connections
            progress.answered(
                int(rows.time_ms[-1]), time.monotonic(), renewed=renewed, rested=rested
            )
            connections, rested = there.connections, False
            if progress.settled > settled:
                await store.ask(cursors.advance, NAME, settled, progress.settled)
            sink.up(f"{aside} refused lines set aside" if aside else "")
            sink.sent(len(batch) - len(refused))
            if progress.position < rows.time_ms[-1]:
                continue
        if rows is None or len(rows) < limit:
            await asyncio.sleep(settings.influx_interval_s)
            rested = True


def _read(file: Path, progress: Progress, limit: int, upto_ms: int) -> tuple[Rows | None, int]:
    """The next rows, and how many are waiting with them (counted up to a million).

    Rows beyond upto_ms, the one that was written last, are of a clock that was ahead: others will
    come before them, and they wait until the clock is there again.
    """
    try:
        with history.reader(file) as connection:
            cursor = cursors.get(connection, NAME)
            if cursor is not None and cursor < progress.settled:
                progress.go_back(cursor)  # the clock stepped back
            elif progress.position > upto_ms:
                progress.go_back(progress.settled)  # the same, after an outage
            (waiting,) = connection.execute(
                "SELECT count(*) FROM (SELECT 1 FROM readings"
                " WHERE time_ms > ? AND time_ms <= ? LIMIT 1000000)",
                (progress.position, upto_ms),
            ).fetchone()
            return history.rows_after(connection, progress.position, limit, upto_ms), waiting
    except sqlite3.OperationalError as error:
        raise StoreError(f"{file}: {error}") from error


async def deliver(write: Write, batch: Sequence[str]) -> list[tuple[str, str]]:
    """Write lines in requests of at most BATCH_LINES; those refused, each with the reason.

    Unreachable when the server is gone, or takes none of them: then it is not the lines.
    """
    refused: list[tuple[str, str]] = []
    pieces = [list(batch[k : k + BATCH_LINES]) for k in range(0, len(batch), BATCH_LINES)]
    believed = not batch
    while pieces:
        piece = pieces.pop(0)
        try:
            await write(piece)
            believed = True
        except Refused as error:
            if len(piece) > 1:
                half = len(piece) // 2
                pieces[:0] = [piece[:half], piece[half:]]
                continue
            refused.append((piece[0], str(error)))
            if len(refused) == DOUBT and not believed:
                believed = await _takes_any(write, batch)
                if not believed:
                    break
    if not believed:
        raise Unreachable(f"refuses whatever it is sent: {refused[0][1]}")
    return refused


async def _takes_any(write: Write, batch: Sequence[str]) -> bool:
    """Whether the server takes one of some lines from all over a batch; they go again later."""
    for k in range(1, PROBES + 1):
        try:
            await write([batch[k * (len(batch) - 1) // PROBES]])
        except Refused:
            continue
        return True
    return False


def _set_aside(connection: sqlite3.Connection, refused: list[tuple[str, str]]) -> int:
    """Keep refused lines; how many are kept by now."""
    records = [(int(line.rpartition(" ")[2]), line, reason) for line, reason in refused]
    poison.add(connection, NAME, records)
    log.warning("lines refused and set aside", lines=len(refused), reason=refused[0][1])
    return poison.count(connection, NAME)
