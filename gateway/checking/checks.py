"""Loop checks of the running gateway: rows in, events on disk, what to do next out.

`Checks` holds the checks that are open. Nothing counts before it is on disk: an event is written
first and followed then, so that a check goes on after the process was killed exactly where the
last recorded step was. Everything else about a check is in `loopcheck/`.

One event loop: nothing here may be called from a thread.
"""

from __future__ import annotations

import asyncio
import sqlite3
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Any

import structlog

from gateway.errors import StoreError
from gateway.live import Live, Snapshot
from gateway.loopcheck.body import body
from gateway.loopcheck.due import Due
from gateway.loopcheck.events import Abandoned, Begun, Event, Finished, Paused, Resumed
from gateway.loopcheck.moves import advance, replay
from gateway.loopcheck.plan import Plan, facts, faults_of
from gateway.loopcheck.reading import recorded
from gateway.loopcheck.run import CheckError, Measure, Run
from gateway.loopcheck.settling import LEAST, Row, Settling, near, settle
from gateway.loopcheck.steps import Step
from gateway.record import checks, journal
from gateway.record.store import Store

from .rows import row_of
from .service import Service

GATEWAY = "gateway"
KIND = "loop-check"
"""Of entries in the journal."""
MOST_ROWS = 3600  # of one step; older ones tell nothing more
AGAIN_S = 5.0
"""Seconds until a store that could not be read is asked again."""
RESTARTED = "the gateway was started anew"
UNHEARD = Settling("waits to hear that the pressure is applied")
AWAITED = Settling("waits for the next reading")
AFAR = Settling("does not read near what is asked for yet")

LookBack = Callable[[Run], Sequence[Mapping[str, Any]]]

log = structlog.get_logger(__name__)


@dataclass
class Open:
    """One check that is open, with the rows since its present step began."""

    name: str
    run: Run
    rows: list[Row] = field(default_factory=list)
    latest: Row | None = None
    before: dict[str, Row] = field(default_factory=dict)
    """The last row of the latest reading of each input."""
    settling: Settling = UNHEARD
    trouble: str = ""
    """Why the latest reading could not be written; it is tried again."""
    record: int | None = None
    """Number of the record that it ended in."""

    @property
    def step(self) -> Step | None:
        """The reading that is due."""
        task = self.run.task
        return task.step if isinstance(task, Measure) else None


class Checks:
    """See the module. look_back: what history tells when something is found out of tolerance.

    version: of this program, as it stands in records. clock: seconds since 1970.
    """

    def __init__(
        self,
        live: Live,
        store: Store,
        version: str,
        *,
        look_back: LookBack = lambda _run: (),
        clock: Callable[[], float] = time.time,
    ) -> None:
        self.open: dict[str, Open] = {}
        self.loaded = False
        self.due: list[Due] = []
        """What is due for a check; see `duedates.py`."""
        self.ended = asyncio.Event()
        """Set whenever a check ends."""
        self.store = store
        self._live, self._version, self._clock = live, version, clock
        self._look_back = look_back
        self._service = Service(live.alarms, clock)
        self._lock = asyncio.Lock()

    async def load(self) -> None:
        """Take up what was open when the process ended, paused. StoreError if it cannot be read."""
        async with self._lock:
            for name in await self.store.ask(checks.unfinished):
                try:
                    run = replay(await self.store.ask(checks.events, name))
                except (CheckError, ValueError) as error:
                    log.warning("a loop check cannot be read", run=name, reason=str(error))
                    continue
                one = self.open[name] = Open(name, run)
                if run.paused is None:
                    await self._write(
                        one, Paused(time=self._clock(), person=GATEWAY, reason=RESTARTED)
                    )
            self.loaded = True

    async def begin(self, plan: Plan, person: str) -> Open:
        """Begin a check and take what it touches out of service.

        CheckError, StoreError or RefusedError when it cannot be; then nothing has begun.
        """
        async with self._lock:
            self._must_be_possible(plan)
            now = self._clock()
            stamp = datetime.fromtimestamp(now, UTC).strftime("%Y%m%d-%H%M%S")
            name = await self.store.ask(checks.unused, f"{plan.loop}-{stamp}")
            known = facts(self._live.site, plan.loop, self._version)
            event = Begun(time=now, person=person, plan=plan, facts=known)
            await self._service.take(name, plan.loop, known.transducers, person)
            one = Open(name, Run(event))
            try:
                await self.store.ask(_begin, name, event)
            except BaseException:
                await self._service.give_back(name, person)
                raise
            self.open[name] = one
            log.info("loop check begins", run=name, person=person)
            return one

    def of(self, name: str) -> Open:
        """An open check; CheckError when there is none of that name."""
        if name not in self.open:
            raise CheckError(f"{name!r:.100}: no open check; allowed: {self._names()}")
        return self.open[name]

    async def tell(self, name: str, event: Event) -> Open:
        """Something happened; CheckError when it does not fit, StoreError when it is not kept."""
        async with self._lock:
            one = self.of(name)
            if isinstance(event, Finished | Abandoned):
                await self._end(one, event)
                return one
            if isinstance(event, Resumed):
                self._must_fit(one.run)
                members = one.run.facts.transducers
                await self._service.take(name, one.run.plan.loop, members, event.person)
            await self._write(one, event)
            return one

    async def force(self, name: str, person: str, reason: str) -> Open:
        """Take the reading as it is; CheckError when there is none to take."""
        async with self._lock:
            one = self.of(name)
            step, rows = one.step, one.settling.rows or one.rows[-LEAST:]
            if step is None or not rows or one.run.applied is None:
                raise CheckError("nothing to take: say first that it is applied, then wait")
            said = "; ".join(part for part in (one.settling.why, reason) if part)
            await self._take(one, step, rows, person, said)
            return one

    async def watch(self) -> None:
        """Feed every row to the checks that are open, for ever."""
        told = ""
        while not self.loaded:
            try:
                await self.load()
            except StoreError as error:
                if str(error) != told:
                    told = str(error)
                    log.warning("loop checks cannot be read yet", reason=told)
                await asyncio.sleep(AGAIN_S)
        async for snapshot in self._live.snapshots():
            for one in list(self.open.values()):
                async with self._lock:
                    if one.name in self.open and one.run.paused is None:
                        await self._feed(one, snapshot)

    async def _feed(self, one: Open, snapshot: Snapshot) -> None:
        run, step = one.run, one.step
        row = row_of(self._live.site, run.plan.loop, run.facts, snapshot)
        if row is None or (one.latest is not None and row.time <= one.latest.time):
            return
        one.latest = row
        if step is None:
            return
        if run.applied is None and not (run.plan.hands_free and near(run.facts, step, row)):
            one.rows = []
            one.settling = AFAR if run.plan.hands_free else UNHEARD
            return
        one.rows = [*one.rows, row][-MOST_ROWS:]
        applied = {**step.apply, **(run.applied.shown if run.applied else {})}
        one.settling = settle(run.facts, replace(step, apply=applied), one.rows, one.before)
        if one.settling.ready:
            await self._take(one, step, one.settling.rows, GATEWAY)

    async def _take(
        self, one: Open, step: Step, rows: Sequence[Row], person: str, forced: str = ""
    ) -> None:
        shown = one.run.applied.shown if one.run.applied else {}
        event = recorded(step, shown, rows, one.rows, person=person, forced=forced)
        try:
            await self._write(one, event)
        except StoreError as error:
            one.trouble = str(error)
            if person != GATEWAY:
                raise
            return
        one.before |= dict.fromkeys(event.seen, rows[-1])

    async def _write(self, one: Open, event: Event) -> None:
        """On disk first, then in memory; whatever was gathered for the step before is over."""
        after = advance(one.run, event)
        await self.store.ask(checks.append, one.name, event)
        one.run, one.rows, one.trouble = after, [], ""
        one.settling = UNHEARD if after.applied is None else AWAITED

    async def _end(self, one: Open, event: Finished | Abandoned) -> None:
        after = advance(one.run, event)
        if isinstance(event, Finished):
            past = await asyncio.to_thread(self._look_back, after)
            made = body(after, one.name, look_back=past)
            one.record = await self.store.ask(_finish, one.name, event, made)
        else:
            await self.store.ask(_abandon, one.name, one.run.plan.loop, event)
        one.run = after
        del self.open[one.name]
        self.ended.set()
        log.info("loop check ends", run=one.name, how=event.kind)
        await self._service.give_back(one.name, event.person)

    def _must_be_possible(self, plan: Plan) -> None:
        if not self.loaded:
            raise StoreError("what was open before is not read yet")
        for where, value, allowed in faults_of(plan, self._live.site):
            raise CheckError(f"{where}: {value}; allowed: {allowed}")
        wanted = set(self._live.site.loops[plan.loop].transducers)
        for other in self.open.values():
            if shared := wanted & set(other.run.facts.transducers):
                raise CheckError(
                    f"{min(shared)}: {other.name} is open; allowed: go on with it, or abandon it"
                )

    def _must_fit(self, run: Run) -> None:
        """A check goes on only with the site that it began with."""
        now = None
        if run.plan.loop in self._live.site.loops:
            now = facts(self._live.site, run.plan.loop, run.facts.software)
            if not run.facts.signal_steps:  # begun by a program that did not note them
                now = now.model_copy(update={"signal_steps": {}})
        if now != run.facts:
            raise CheckError("the site file has changed since; allowed: abandon it, begin anew")

    def _names(self) -> str:
        return ", ".join(self.open) or "none is open"


def _begin(connection: sqlite3.Connection, name: str, event: Begun) -> None:
    checks.append(connection, name, event)
    _journal(connection, name, event.plan.loop, event, f"loop check: {event.plan.scheme}")


def _abandon(connection: sqlite3.Connection, name: str, loop: str, event: Abandoned) -> None:
    checks.append(connection, name, event)
    _journal(connection, name, loop, event, "loop check abandoned", event.reason)


def _finish(
    connection: sqlite3.Connection, name: str, event: Finished, made: Mapping[str, Any]
) -> int:
    def record(number: int, previous: str) -> dict[str, Any]:
        return {**made, "number": number, "previous": previous}

    number = checks.finish(connection, name, event, record)
    words = f"loop check: {made['verdict']}, as found {made['as_found_verdict']}, record {number}"
    _journal(connection, name, made["loop"], event, words)
    return number


def _journal(
    connection: sqlite3.Connection,
    name: str,
    loop: str,
    event: Begun | Finished | Abandoned,
    words: str,
    reason: str = "",
) -> None:
    entry = journal.Entry(
        0, round(event.time * 1000), KIND, loop, phase=event.kind, ref=name, actor=event.person,
        reason=reason, body={"message": words},
    )  # fmt: skip
    journal.append(connection, entry)
