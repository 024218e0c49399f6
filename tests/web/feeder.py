"""Readings that move, by hand: without poller, measurement or diagnosis; alarms are the real ones.

All numbers are invented. `python -m tests.web.feeder` serves the page with moving values.
"""

from __future__ import annotations

import asyncio
import math
import sys
import time
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from contextlib import asynccontextmanager, suppress
from dataclasses import replace
from typing import Any

import numpy as np

from gateway.alarm.machine import Alarms
from gateway.annunciator import Annunciator
from gateway.diagnose.findings import Finding
from gateway.live import LinkState, Live, SinkState, Snapshot
from gateway.measure.blocks import Floats, Readings
from gateway.measure.columns import columns
from gateway.measure.quality import Quality, Reason, quality_of
from gateway.plant.site import Site
from gateway.record.journal import Entry
from gateway.record.trends import Trend
from gateway.settings import Settings
from gateway.web.door import Door
from gateway.web.past import Past
from gateway.web.serve import serve_past

from . import persons
from .archive import CENTRE, archive, mismatch, open_circuit
from .book import Book


def centre(site: Site, loop: str) -> float:
    """Pa around which a loop moves: the middle of its range where nothing else is said."""
    noun = site.transducers[site.loops[loop].transducers[0]]
    return CENTRE.get(loop, noun.lrv_pa + noun.span_pa / 2)


def moving(site: Site, t: float) -> Floats:
    """(T,) Pa at a time: slow waves and a little noise around each loop's set point."""
    rng = np.random.default_rng(int(t * 1000) % 2**32)
    out = []
    for k, (key, noun) in enumerate(site.transducers.items()):
        loops = site.loops_of(key)
        middle = centre(site, loops[0]) if loops else noun.lrv_pa + noun.span_pa / 2
        wave = 0.012 * math.sin(t / 37) + 0.006 * math.sin(t / 7.3 + k) + 0.003 * (k % 3)
        out.append(middle + noun.span_pa * (wave + 0.001 * float(rng.normal())))
    return np.array(out)


def readings(
    site: Site,
    t: float,
    pressure: Floats,
    *,
    reasons: Mapping[str, Reason] | None = None,
    feedback: Mapping[str, float] | None = None,
) -> Readings:
    """One row from (T,) pressures in Pa; feedback equals the combined pressure unless given."""
    ids = list(site.transducers)
    why = np.zeros(len(ids), dtype=np.uint8)
    for key, reason in (reasons or {}).items():
        why[ids.index(key)] = reason
    quality = quality_of(why)
    combined, worst, driver = [], [], []
    for noun in site.loops.values():
        members = [ids.index(k) for k in noun.transducers]
        values = pressure[members]
        by_name = {"average": values.mean(), "minimum": values.min(), "median": np.median(values)}
        combined.append(float(by_name[noun.combine]))
        worst.append(int(quality[members].max()))
        chosen = members[int(np.argmin(np.abs(values - combined[-1])))]
        driver.append(-1 if noun.combine == "average" else chosen)
    reported = [(feedback or {}).get(k, c) for k, c in zip(site.loops, combined, strict=True)]
    lrv = np.array([x.lrv_pa for x in site.transducers.values()])
    span = np.array([x.span_pa for x in site.transducers.values()])
    low = np.array([x.sends().low for x in site.transducers.values()])
    high = np.array([x.sends().high for x in site.transducers.values()])
    signal = low + (pressure - lrv) / span * (high - low)
    points = sum(len(c.points) for c in site.controllers.values())
    controllers, loops = len(site.controllers), len(site.loops)
    return Readings(
        time=np.array([t]),
        points=np.zeros((1, points)),
        point_reasons=np.zeros((1, points), dtype=np.uint8),
        point_fresh=np.ones((1, points), dtype=np.bool_),
        link=np.zeros((1, controllers), dtype=np.uint8),
        polled=np.ones((1, controllers), dtype=np.bool_),
        counts=np.round(signal[None, :] * 1000),
        electrical=signal[None, :],
        pressure=pressure[None, :],
        quality=quality[None, :],
        reasons=why[None, :],
        fresh=np.ones((1, len(ids)), dtype=np.bool_),
        controller_value=pressure[None, :],
        combined=np.array([combined]),
        combined_quality=np.array([worst], dtype=np.uint8),
        combined_reasons=np.where(
            np.array([worst]) > 0, np.uint8(Reason.MEMBER), np.uint8(0)
        ).astype(np.uint8),
        driver=np.array([driver], dtype=np.int64),
        feedback=np.array([reported]),
        setpoint=np.array([[centre(site, k) for k in site.loops]]),
        output=38.2 + np.zeros((1, loops)),
        running=np.ones((1, loops)),
    )


def links(site: Site, t: float, n: int) -> dict[str, LinkState]:
    """Every controller answering."""
    return {
        k: LinkState(k, connected=True, reason="", last_answer=t, polls=n, response_ms=8.4 + i)
        for i, k in enumerate(site.controllers)
    }


class Feeder:
    """Shows a row every `interval` seconds; what is wrong can be changed while it runs."""

    def __init__(
        self, site: Site, *, interval: float = 1.0, clock: Callable[[], float] = time.time
    ) -> None:
        self.book = Book()
        self.live = Live(site, Annunciator(Alarms(site, columns(site)), self.book, clock))
        self.interval = interval
        self.findings: list[Finding] = []
        self.reasons: dict[str, Reason] = {}
        self.feedback: dict[str, float] = {}
        self.broken: set[str] = set()
        self.troubles: dict[str, str] = {}
        """What is wrong with the gateway itself."""
        self.down: dict[str, str] = {}
        """Controllers that do not answer, and why."""
        self.silent = False
        self.ahead = 0.0
        """Seconds by which rows run before the clock."""
        self.wishes: list[tuple[str, str, str]] = []
        """Loops to be learnt anew: which, why, by whom."""
        self.number = 0
        self._open: list[Finding] = []

    def row(self, t: float) -> None:
        """Show one row taken at `t`."""
        self.number += 1
        site, alarms = self.live.site, self.live.alarms
        pressure = moving(site, t)
        for key in self.broken:
            noun = site.transducers[key]
            pressure[list(site.transducers).index(key)] = noun.lrv_pa - 0.25 * noun.span_pa
        now = readings(site, t, pressure, reasons=self.reasons, feedback=self.feedback)
        events = self._events(t)
        self.book.write((*events, *alarms.examine(now, events, self._open, self.troubles)))
        self.live.show(
            Snapshot(
                self.live.next_number, t, now, alarms.reported(self.findings),
                self._links(t),
                {"store": SinkState("store", connected=True, sent=self.number, last_sent=t)},
                alarms.standing, troubles=self.troubles,
            )
        )  # fmt: skip

    def note(self, entry: Entry) -> None:
        """Into the journal: what people do beside alarms."""
        self.book.write([entry])

    def _links(self, t: float) -> dict[str, LinkState]:
        there = links(self.live.site, t, self.number)
        gone = {k: replace(there[k], connected=False, reason=why) for k, why in self.down.items()}
        return there | gone

    def _events(self, t: float) -> list[Finding]:
        """What was raised and cleared since the row before; a made-up subject has no alarms."""
        relations = self.live.alarms.definitions.relations
        standing = [f for f in self.findings if relations.knows(f.kind, f.subject)]
        gone = [replace(f, phase="cleared", time=t) for f in self._open if f not in standing]
        new = [replace(f, time=t) for f in standing if f not in self._open]
        self._open = standing
        return gone + new

    def trouble(self) -> None:
        """A wire of the exhaust plenum breaks, and stair B is found to be set wrongly."""
        now = time.time()
        self.findings = [mismatch(now - 7300), open_circuit(now - 95)]
        self.reasons = {"dp-402": Reason.FAILURE_LOW}
        self.broken = {"dp-402"}
        self.feedback = {"stair-b": 56.2}

    def mend(self) -> None:
        """Everything is well again."""
        self.findings, self.reasons, self.broken, self.feedback = [], {}, set(), {}

    async def run(self) -> None:
        """Row after row, for ever."""
        while True:
            if not self.silent:
                self.row(time.time() + self.ahead)
            await asyncio.sleep(self.interval)

    def past(self) -> Past:
        """A past that fits: drawn waves, and the journal of what has happened here."""
        book = self.book
        return Past(
            self.trends, book.findings, book.page, book.transitions, book.begun, book.lasted
        )

    def trends(self, series: Sequence[str], start: float, end: float, buckets: int) -> list[Trend]:
        """A past of slow waves, a row a second up to now, with a hole of a minute."""
        now = time.time()
        width = max(1.0, -(-(end - start) // buckets))
        when = np.arange(math.ceil(start), min(end, now), width)
        hole = (when > now - 300) & (when + width < now - 240)
        codes = np.where(hole, Quality.BAD, Quality.GOOD).astype(np.uint8)
        count = np.where(hole, 0, width).astype(np.int64)
        out = []
        for name in series:
            line = np.where(hole, np.nan, self._past(name, when))
            half = 0.0 if width == 1 else 0.01 * float(np.nanmax(np.abs(line), initial=0.0))
            out.append(
                Trend(when, count, line, line - half, line + half, 0 * line + half / 2, codes,
                      0.0 if width == 1 else width)
            )  # fmt: skip
        return out

    def _past(self, name: str, when: Floats) -> Floats:
        """(n,) Pa of a series."""
        kind, key, *rest = name.split("/")
        site = self.live.site
        loop = key if kind == "loop" else site.loops_of(key)[0]
        span = site.transducers[site.loops[loop].transducers[0]].span_pa
        if rest in (["output"], ["running"]):
            return np.full(len(when), 38.2 if rest == ["output"] else 1.0)
        if rest == ["setpoint"]:
            return np.full(len(when), centre(site, loop))
        k = list(site.transducers).index(key) if kind == "transducer" else 0.0
        waves = 0.012 * np.sin(when / 37) + 0.006 * np.sin(when / 7.3 + k)
        return centre(site, loop) + span * waves


@asynccontextmanager
async def serving(
    feeder: Feeder, *, port: int = 0, door: Door | None = None, settings: Settings | None = None
) -> AsyncIterator[str]:
    """The pages over a feeder; yields the address.

    door: else `persons`. settings: else loopback without TLS, at `port`.
    """
    opened: asyncio.Future[str] = asyncio.get_running_loop().create_future()
    task = asyncio.create_task(
        serve_past(
            feeder.live,
            feeder.past(),
            settings or Settings(http_host="127.0.0.1", http_port=port),
            opened.set_result,
            door=door or persons.door(feeder.note),
            relearn=lambda *wish: feeder.wishes.append(wish),
        ),
        name="web",
    )
    try:
        waiting: set[asyncio.Future[Any]] = {task, opened}
        await asyncio.wait(waiting, return_when=asyncio.FIRST_COMPLETED)
        if task.done():
            await task
        yield opened.result()
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


@asynccontextmanager
async def feeding(feeder: Feeder) -> AsyncIterator[None]:
    """Rows while it lasts."""
    task = asyncio.create_task(feeder.run(), name="feeder")
    try:
        yield
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


async def _look() -> None:
    feeder = Feeder(archive())
    async with feeding(feeder), serving(feeder, port=8601) as address:
        sys.stdout.write(address + "\n")
        await asyncio.Event().wait()


if __name__ == "__main__":
    asyncio.run(_look())
