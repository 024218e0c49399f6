"""Alarms with everything behind the row loop: rows by hand in, journal and snapshot out."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from gateway.alarm.machine import Alarms
from gateway.annunciator import Annunciator
from gateway.diagnose.findings import Finding
from gateway.live import Live, SinkState, Snapshot
from gateway.measure.columns import columns
from gateway.measure.measure import Measure
from gateway.plant.site import Site
from gateway.record import alarms, journal
from gateway.record.backlog import Scan
from gateway.record.journal import Search
from gateway.record.recorder import Queue, QueuedLogbook, record
from gateway.record.store import Store, open_store
from tests.alarm.alarm_plant import START, quiet

LONG_S = 60.0
"""Between commits: whoever waits for one would notice."""


class Gateway:
    """Rows by hand into everything that is behind the row loop."""

    def __init__(self, here: Site, store: Store) -> None:
        self.here, self.store = here, store
        self.queue: Queue = asyncio.Queue()
        sinks: dict[str, SinkState] = {}
        machine = Alarms(here, columns(here), store.do(alarms.resume))
        logbook = QueuedLogbook(self.queue, sinks)
        self.live = Live(here, Annunciator(machine, logbook, lambda: START + self.second), sinks)
        self.measure = Measure(here)
        self.second = 0.0
        self.open: dict[str, Finding] = {}

    def row(self, second: float, *happened: Finding) -> None:
        """One quiet row, `second` after START, with findings raised and cleared in it."""
        self.second = second
        for one in happened:
            if one.phase == "raised":
                self.open[one.id] = one
            else:
                self.open.pop(one.id, None)
        standing_open = tuple(self.open.values())
        block = quiet(self.here, 1, start=START + second)
        readings = self.measure.examine(block)
        changes = self.live.alarms.examine(readings, happened, standing_open)
        number, standing = self.live.next_number, self.live.alarms.standing
        told = self.live.alarms.reported(standing_open)
        self.live.show(Snapshot(number, START + second, readings, told, {}, {}, standing))
        self.queue.put_nowait(Scan(block, readings, (*happened, *changes)))

    def states(self) -> dict[str, str]:
        assert self.live.latest
        return {s.definition.id: s.memory.state.value for s in self.live.latest.alarms}

    def journalled(self) -> list[tuple[str, str, str, str]]:
        entries = self.store.do(journal.search, Search(kind="alarm"))
        return [(e.ref, e.phase, e.actor, e.reason) for e in reversed(entries)]


@asynccontextmanager
async def running(here: Site, folder: Path, interval_s: float = LONG_S) -> AsyncIterator[Gateway]:
    """A gateway whose store is in `folder`; it commits every `interval_s`, and after actions."""
    with open_store(folder, here) as store:
        there = Gateway(here, store)
        sinks = there.live.sinks
        task = asyncio.create_task(record(store, there.queue, sinks, interval_s=interval_s))
        await asyncio.sleep(0)
        try:
            yield there
        finally:
            there.live.alarms.close("the gateway is stopping")
            there.queue.put_nowait(None)
            await task
