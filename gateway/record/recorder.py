"""From the queue to the disk, a commit a second, without ever holding up the poller.

What people do is committed at once, together with everything that was queued before it.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping, MutableMapping, Sequence
from contextlib import suppress
from dataclasses import replace

import structlog

from gateway.alarm.transition import Transition
from gateway.errors import StoreError
from gateway.live import SinkState

from .backlog import Backlog, Batch, Deed, Scan
from .journal import Entry
from .store import Store

NAME = "store"
SLOW_S = 10.0
"""A commit that takes longer is told: the disk hangs, or has more to do than it can."""
LAST_TRIES = 3
"""Attempts at the end of the stream before what is left is given up."""

Queue = asyncio.Queue[Scan | Deed | Entry | None]

log = structlog.get_logger(__name__)


class QueuedLogbook:
    """The way of deeds to the disk: through the queue, so that they stand after what they follow.

    See `annunciator.Logbook`.
    """

    def __init__(self, queue: Queue, sinks: Mapping[str, SinkState]) -> None:
        self._queue, self._sinks = queue, sinks

    def trouble(self) -> str:
        """Why the store takes nothing at the moment; empty while it does."""
        state = self._sinks.get(NAME)
        if state is None:
            return "the store is not open yet"
        return "" if state.connected else f"nothing can be recorded now: {state.reason}"

    async def keep(self, transitions: Sequence[Transition]) -> None:
        """Return once these, and all that came before them, are on disk; StoreError if not."""
        kept = asyncio.get_running_loop().create_future()
        self._queue.put_nowait(Deed(tuple(transitions), kept))
        await kept


async def record(
    store: Store,
    queue: Queue,
    sinks: MutableMapping[str, SinkState],
    *,
    bound: int | None = None,
    interval_s: float = 1.0,
) -> None:
    """Write what the queue brings, a commit every `interval_s`, until it brings None.

    The queue is emptied at once whatever the disk does. When the disk does not keep up, rows
    beyond `bound` (None: what a fixed share of memory holds) are dropped, oldest first, and
    counted; what happened stays. Shown in `sinks` as "store". Returns once all is on disk, or
    given up after a few attempts.
    """
    backlog = Backlog(bound)
    ended, due = asyncio.Event(), asyncio.Event()
    sinks[NAME] = SinkState(NAME, connected=True)
    async with asyncio.TaskGroup() as tasks:
        tasks.create_task(_collect(queue, backlog, ended, due), name="store: collect")
        tasks.create_task(
            _commit(store, backlog, ended, due, sinks, interval_s), name="store: commit"
        )


async def _collect(
    queue: Queue, backlog: Backlog, ended: asyncio.Event, due: asyncio.Event
) -> None:
    while (one := await queue.get()) is not None:
        backlog.add(one)
        if isinstance(one, Deed):
            due.set()
    ended.set()
    due.set()


async def _commit(
    store: Store,
    backlog: Backlog,
    ended: asyncio.Event,
    due: asyncio.Event,
    sinks: MutableMapping[str, SinkState],
    interval_s: float,
) -> None:
    while not ended.is_set():
        with suppress(TimeoutError):
            await asyncio.wait_for(due.wait(), interval_s)
        due.clear()
        await _write(store, backlog, sinks)
    for left in range(LAST_TRIES, 0, -1):
        await _write(store, backlog, sinks)
        if not backlog:
            return
        if left > 1:
            await asyncio.sleep(interval_s)
    log.error("rows not written at the end", rows=len(backlog.rows), reason=sinks[NAME].reason)


async def _write(store: Store, backlog: Backlog, sinks: MutableMapping[str, SinkState]) -> None:
    """One commit of everything there is; how the store is doing meanwhile and afterwards."""
    if not backlog:
        return
    batch, before = backlog.take(), sinks[NAME]
    try:
        await _patiently(store, batch, backlog, sinks)
    except StoreError as error:
        _answer(batch, f"done, but not recorded yet: {error}")
        backlog.put_back(batch)
        if before.connected:
            log.warning("the store does not take rows", reason=str(error))
        sinks[NAME] = _failed(before, str(error), backlog, len(backlog.rows))
        return
    _answer(batch)
    if not sinks[NAME].connected:
        log.info("the store takes rows again", rows_lost=backlog.lost)
    rows = batch.rows
    sinks[NAME] = replace(
        sinks[NAME],
        connected=True,
        reason=_reason("", backlog),
        sent=before.sent + sum(len(block) for block, _ in rows),
        waiting=len(backlog.rows),
        last_sent=float(rows[-1][0].time[-1]) if rows else before.last_sent,
    )


async def _patiently(
    store: Store, batch: Batch, backlog: Backlog, sinks: MutableMapping[str, SinkState]
) -> None:
    """Wait for the disk however long it takes, and tell that it takes long."""
    writing = asyncio.ensure_future(store.apart(store.write, batch.rows, batch.happened))
    before, waited = sinks[NAME], 0.0
    try:
        while not (await asyncio.wait({writing}, timeout=SLOW_S))[0]:
            waited += SLOW_S
            if sinks[NAME].connected:
                log.warning("the store does not answer", seconds=waited)
            reason = f"no answer from the disk for {waited:.0f} s"
            sinks[NAME] = _failed(before, reason, backlog, len(batch.rows) + len(backlog.rows))
        await writing
    except asyncio.CancelledError:
        writing.cancel()
        raise


def _failed(before: SinkState, reason: str, backlog: Backlog, waiting: int) -> SinkState:
    return replace(
        before,
        connected=False,
        reason=_reason(reason, backlog),
        failures=before.failures + 1,
        waiting=waiting,
    )


def _answer(batch: Batch, trouble: str = "") -> None:
    """Tell those who wait for a commit; some may have gone."""
    for kept in batch.waiting:
        if kept.done():
            continue
        if trouble:
            kept.set_exception(StoreError(trouble))
        else:
            kept.set_result(None)


def _reason(now: str, backlog: Backlog) -> str:
    counts = ((backlog.lost, "rows"), (backlog.lost_events, "findings and alarm transitions"))
    words = (f"{number} {what} lost since the start" for number, what in counts if number)
    return "; ".join(part for part in (now, *words) if part)
