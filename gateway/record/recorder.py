"""From the queue of rows to the disk, a commit a second, without ever holding up the poller."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import MutableMapping
from contextlib import suppress
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import structlog

from gateway.diagnose.findings import Finding
from gateway.errors import StoreError
from gateway.live import SinkState
from gateway.measure.blocks import Block, Readings

from .store import Store

NAME = "store"
BOUND = 300
"""Rows held while the disk does not take them; the oldest go first."""
FINDINGS_BOUND = 10_000
"""Findings are few and outlive their rows, up to this many."""
LAST_TRIES = 3
"""Attempts at the end of the stream before what is left is given up."""

log = structlog.get_logger(__name__)


class Scan(NamedTuple):
    """What one pass brought: its rows, and the findings raised or cleared by them."""

    block: Block
    readings: Readings
    findings: tuple[Finding, ...] = ()


@dataclass
class Backlog:
    """What is not on disk yet."""

    bound: int
    rows: deque[tuple[Block, Readings]] = field(default_factory=deque)
    findings: deque[Finding] = field(default_factory=lambda: deque(maxlen=FINDINGS_BOUND))
    lost: int = 0
    """Rows dropped since the start."""

    def __len__(self) -> int:
        return len(self.rows) + len(self.findings)

    def add(self, scan: Scan) -> None:
        """Take in one pass."""
        self.rows.append((scan.block, scan.readings))
        self.findings.extend(scan.findings)
        self._trim()

    def take(self) -> tuple[list[tuple[Block, Readings]], list[Finding]]:
        """Everything, taken out."""
        rows, findings = list(self.rows), list(self.findings)
        self.rows.clear()
        self.findings.clear()
        return rows, findings

    def put_back(self, rows: list[tuple[Block, Readings]], findings: list[Finding]) -> None:
        """What the disk did not take, in front of what came since."""
        self.rows.extendleft(reversed(rows))
        later = list(self.findings)
        self.findings.clear()
        self.findings.extend(findings + later)
        self._trim()

    def _trim(self) -> None:
        while len(self.rows) > self.bound:
            self.rows.popleft()
            self.lost += 1


async def record(
    store: Store,
    queue: asyncio.Queue[Scan | None],
    sinks: MutableMapping[str, SinkState],
    *,
    bound: int = BOUND,
    interval_s: float = 1.0,
) -> None:
    """Write what the queue brings, a commit every `interval_s`, until it brings None.

    The queue is emptied at once whatever the disk does. When the disk does not keep up, rows
    beyond `bound` are dropped, oldest first, and counted; findings stay. Shown in `sinks` as
    "store". Returns once all is on disk, or given up after a few attempts.
    """
    backlog = Backlog(bound)
    ended = asyncio.Event()
    sinks[NAME] = SinkState(NAME, connected=True)
    async with asyncio.TaskGroup() as tasks:
        tasks.create_task(_collect(queue, backlog, ended), name="store: collect")
        tasks.create_task(_commit(store, backlog, ended, sinks, interval_s), name="store: commit")


async def _collect(
    queue: asyncio.Queue[Scan | None], backlog: Backlog, ended: asyncio.Event
) -> None:
    while (scan := await queue.get()) is not None:
        backlog.add(scan)
    ended.set()


async def _commit(
    store: Store,
    backlog: Backlog,
    ended: asyncio.Event,
    sinks: MutableMapping[str, SinkState],
    interval_s: float,
) -> None:
    while not ended.is_set():
        with suppress(TimeoutError):
            await asyncio.wait_for(ended.wait(), interval_s)
        sinks[NAME] = await _write(store, backlog, sinks[NAME])
    for left in range(LAST_TRIES, 0, -1):
        sinks[NAME] = await _write(store, backlog, sinks[NAME])
        if not backlog:
            return
        if left > 1:
            await asyncio.sleep(interval_s)
    log.error("rows not written at the end", rows=len(backlog.rows), reason=sinks[NAME].reason)


async def _write(store: Store, backlog: Backlog, state: SinkState) -> SinkState:
    """One commit of everything there is; how the store is doing afterwards."""
    if not backlog:
        return state
    rows, findings = backlog.take()
    try:
        await store.apart(store.write, rows, findings)
    except StoreError as error:
        backlog.put_back(rows, findings)
        if state.connected:
            log.warning("the store does not take rows", reason=str(error))
        return replace(
            state,
            connected=False,
            reason=_reason(str(error), backlog.lost),
            failures=state.failures + 1,
            waiting=len(backlog.rows),
        )
    if not state.connected:
        log.info("the store takes rows again", rows_lost=backlog.lost)
    return replace(
        state,
        connected=True,
        reason=_reason("", backlog.lost),
        sent=state.sent + sum(len(block) for block, _ in rows),
        waiting=len(backlog.rows),
        last_sent=float(rows[-1][0].time[-1]) if rows else state.last_sent,
    )


def _reason(now: str, lost: int) -> str:
    count = f"{lost} rows lost since the start" if lost else ""
    return "; ".join(part for part in (now, count) if part)
