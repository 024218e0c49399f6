"""Forgetting: what is old goes in small steps, between which the writer gets its turn."""

from __future__ import annotations

import asyncio
import sqlite3
import time
from collections.abc import Awaitable, Callable, Mapping, MutableMapping
from dataclasses import dataclass, replace

import structlog

from gateway.errors import ArchiveError, StoreError
from gateway.live import SinkState
from gateway.measure.columns import Ints

from . import alarms, cursors, rollup
from .journal import FINDING
from .recorder import NAME
from .store import Store

STEP_ROWS = 500
STEP_SERIES = 50
EVERY_S = 3600.0
DAY_MS = 86_400_000
ARCHIVE = "archive"

Archive = Callable[[int, int], Awaitable[Ints]]
"""Keeps the rows from a time up to another (ms) elsewhere: the times of all that is safe there.

ArchiveError when it cannot.
"""

log = structlog.get_logger(__name__)


@dataclass(frozen=True)
class Keep:
    """Days that each class of records is kept. journal: 0 for ever."""

    raw: float
    minutes: float
    hours: float
    journal: float = 0.0


async def prune(
    store: Store, keep: Keep, now: float | None = None, archive: Archive | None = None
) -> int:
    """Remove what is older than wanted before `now` (seconds since 1970); how many rows went.

    Events that no broker took while their rows were kept go too. Rows go by whole hours, so that
    summaries that are made anew, after the clock was set back, are never those of a part of one.
    With an archive they go by whole days, and only those that are safe there. StoreError when the
    disk does not take it; ArchiveError, after all else was done, when the archive does not take
    rows.
    """
    now = time.time() if now is None else now

    def limit(days: float) -> int:
        return round(now * 1000 - days * DAY_MS)

    removed, trouble = 0, None
    try:
        removed = await _rows(store, _whole_hours(limit(keep.raw)), archive)
    except ArchiveError as error:
        trouble = error
    await store.ask(_outbox, limit(keep.raw))
    await _rollups(store, limit(keep.minutes), limit(keep.hours))
    if keep.journal:
        while await store.ask(_journal, limit(keep.journal)):
            pass
    if trouble is not None:
        raise trouble
    return removed


def _whole_hours(time_ms: int) -> int:
    return time_ms // rollup.HOUR_MS * rollup.HOUR_MS


async def _rows(store: Store, before: int, archive: Archive | None) -> int:
    removed = 0
    if archive is None:
        while step := await store.ask(_step, before):
            removed += step
        return removed
    while (oldest := await store.ask(_oldest)) is not None:
        day = oldest // DAY_MS * DAY_MS
        if day + DAY_MS > before:
            break
        safe = await archive(day, day + DAY_MS)
        for k in range(0, len(safe), STEP_ROWS):
            removed += await store.ask(_exactly, safe[k : k + STEP_ROWS])
    return removed


def _oldest(connection: sqlite3.Connection) -> int | None:
    (oldest,) = connection.execute("SELECT min(time_ms) FROM scans").fetchone()
    return None if oldest is None else int(oldest)


def _exactly(connection: sqlite3.Connection, safe: Ints) -> int:
    """Remove the rows at these times, which must be all that lie between the first and the last."""
    between = int(safe[0]), int(safe[-1])
    (there,) = connection.execute(
        "SELECT count(*) FROM scans WHERE time_ms BETWEEN ? AND ?", between
    ).fetchone()
    if there > len(safe):
        raise ArchiveError(f"{there - len(safe)} rows came after their day was archived")
    connection.execute("DELETE FROM scans WHERE time_ms BETWEEN ? AND ?", between)
    connection.execute("DELETE FROM readings WHERE time_ms BETWEEN ? AND ?", between)
    return int(there)


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


async def _rollups(store: Store, minutes_before: int, hours_before: int) -> None:
    """Series by series: both tables have a series' records side by side, not those of a time."""
    numbers = await store.ask(
        lambda c: [row[0] for row in c.execute("SELECT id FROM series ORDER BY id")]
    )

    def forget(connection: sqlite3.Connection, some: list[int]) -> None:
        for table, before in (("rollups", minutes_before), ("hours", hours_before)):
            connection.executemany(
                f"DELETE FROM {table} WHERE series = ? AND hour_ms < ?",  # noqa: S608 - own names
                [(number, before - rollup.HOUR_MS) for number in some],
            )

    for k in range(0, len(numbers), STEP_SERIES):
        await store.ask(forget, numbers[k : k + STEP_SERIES])


def _outbox(connection: sqlite3.Connection, before: int) -> None:
    lost = connection.execute(
        "DELETE FROM outbox WHERE seq IN"
        " (SELECT seq FROM journal JOIN outbox USING (seq) WHERE time_ms < ?)",
        (before,),
    ).rowcount
    if lost:
        log.warning("events too old for the broker removed", events=lost)


def _journal(connection: sqlite3.Connection, before: int) -> int:
    """Remove the oldest entries that nothing rests on, at most STEP_ROWS; how many went.

    Findings that stand open stay, and what a broker has yet to get. How alarms stand is
    remembered first, so that a start does not need what goes.
    """
    alarms.resume(connection)
    return connection.execute(
        "DELETE FROM journal WHERE seq IN ("
        " SELECT seq FROM journal AS old"
        " WHERE time_ms < ? AND seq NOT IN (SELECT seq FROM outbox)"
        " AND (kind <> ? OR phase <> 'raised' OR EXISTS ("
        "  SELECT 1 FROM journal AS later WHERE later.ref = old.ref AND later.seq > old.seq))"
        " ORDER BY time_ms LIMIT ?)",
        (before, FINDING, STEP_ROWS),
    ).rowcount


async def keep_pruned(
    store: Store,
    keep: Keep,
    sinks: MutableMapping[str, SinkState],
    archive: Archive | None = None,
    *,
    clock: Callable[[], float] = time.time,
    sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
) -> None:
    """Prune every hour for ever; a disk that does not take it is tried again an hour later.

    Nothing goes before rows have been recorded for a day by this clock: one that leapt years ahead
    would have everything removed at once, long before anybody could set it right.

    How the archive is doing, where there is one, stands in `sinks` as "archive"; rows that it
    does not take are not removed.
    """
    if archive is not None:
        sinks[ARCHIVE] = SinkState(ARCHIVE, connected=True)
    while True:
        trouble, now = "", clock()
        try:
            if await _waits(store, keep, now, sinks):
                log.info("old rows stay until rows were recorded for a day by this clock")
            else:
                await _once(store, keep, now, archive, list(sinks))
        except StoreError as error:
            log.warning("old rows not removed", reason=str(error))
        except ArchiveError as error:
            trouble = str(error)
            log.warning("old rows stay: they cannot be archived", reason=trouble)
        if archive is not None:
            sinks[ARCHIVE] = _archive_state(sinks[ARCHIVE], trouble)
        await sleep(EVERY_S)


async def _once(
    store: Store, keep: Keep, now: float, archive: Archive | None, receivers: list[str]
) -> None:
    """Prune, and tell what went."""
    before = _whole_hours(round(now * 1000 - keep.raw * DAY_MS))
    unsent = await store.ask(_unsent, before, receivers)
    if removed := await prune(store, keep, now, archive):
        log.info("old rows removed", rows=removed, archived=archive is not None)
        for receiver, rows in unsent.items():
            log.warning("old rows removed that were never sent", receiver=receiver, rows=rows)


async def _waits(store: Store, keep: Keep, now: float, sinks: Mapping[str, SinkState]) -> bool:
    """Whether there is something to remove, and no row a day old to trust the clock by.

    A disk that takes no rows is no such case: there what is old makes room.
    """
    if (state := sinks.get(NAME)) is not None and not state.connected:
        return False
    age = min(DAY_MS, round(keep.raw * DAY_MS / 2))
    now_ms = round(now * 1000)
    return not await store.ask(_settled, now_ms - round(keep.raw * DAY_MS), now_ms - age, age)


def _settled(connection: sqlite3.Connection, before: int, until: int, age: int) -> bool:
    """Whether a row lies within `age` before `until`, or none before `before` (ms)."""
    (old, trusted) = connection.execute(
        "SELECT EXISTS (SELECT 1 FROM scans WHERE time_ms < ?),"
        " EXISTS (SELECT 1 FROM scans WHERE time_ms > ? AND time_ms <= ?)",
        (before, until - age, until),
    ).fetchone()
    return bool(trusted or not old)


def _unsent(connection: sqlite3.Connection, before: int, receivers: list[str]) -> dict[str, int]:
    """Rows before a time (ms) that a receiver has not got, by its name, where there are any."""
    found = {}
    for name in receivers:
        if (cursor := cursors.get(connection, name)) is not None:
            (rows,) = connection.execute(
                "SELECT count(*) FROM readings WHERE time_ms > ? AND time_ms < ?", (cursor, before)
            ).fetchone()
            found[name] = int(rows)
    return {name: rows for name, rows in found.items() if rows}


def _archive_state(state: SinkState, trouble: str) -> SinkState:
    reason = f"old rows stay where they are: {trouble}" if trouble else ""
    failures = state.failures + bool(trouble)
    return replace(state, connected=not trouble, reason=reason, failures=failures)
