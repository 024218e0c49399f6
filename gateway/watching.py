"""What watches a site: a poller a controller, the loop from rows to alarms, and what is learnt.

Data flows as the lines of `watch` say: rows of register values, readings, findings, alarms, then
the snapshot for pages and publishers and the queue to the store.
"""

from __future__ import annotations

import asyncio
import sqlite3
import time
from collections.abc import Callable, Coroutine
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

import structlog

from gateway.alarm.machine import Alarms
from gateway.alarm.memory import Stored
from gateway.annunciator import Annunciator
from gateway.diagnose.diagnose import Diagnosis
from gateway.diagnose.explain import cleared
from gateway.diagnose.findings import Finding
from gateway.diagnose.origin import outdated
from gateway.diagnose.picture import Picture, from_dict, to_dict
from gateway.diagnose.visibility import judged
from gateway.errors import StoreError
from gateway.live import ClockState, Live, SinkState, Snapshot
from gateway.measure.columns import Columns, columns
from gateway.measure.measure import Measure
from gateway.plant.site import Site
from gateway.poll.poller import poll_controller
from gateway.poll.rowclock import MOST_AHEAD_S, RowClock
from gateway.poll.rows import Rows
from gateway.poll.schedule import stagger
from gateway.record import alarms, memory, wishes
from gateway.record.backlog import Scan
from gateway.record.journal import Entry, append, open_findings
from gateway.record.recorder import Queue, QueuedLogbook
from gateway.record.store import Store
from gateway.record.troubles import Troubles

SPREAD = 0.8
ROW_AT = 0.95
"""Where in the interval a row is taken: after the staggered polls, which lie in the first 0.8."""
PICTURE = "picture"
WISHES_S = 5.0
KEEP_S = 600.0
"""Seconds between two looks for wishes, and between two writings of what is remembered."""

T = TypeVar("T")

log = structlog.get_logger(__name__)


def restored(site: Site, store: Store, queue: Queue) -> Live:
    """The live state of a site with its alarms as the journal left them; `queue` records actions.

    All at rest where the store cannot be read: what is wrong will be found again.
    """
    before = _since_now(_asked(store, alarms.resume, Stored()), time.time() + MOST_AHEAD_S)
    machine = Alarms(site, columns(site), before)
    if gone := sorted(set(before.alarms) - set(machine.stored.alarms)):
        log.info("alarms of what is not in the site file any more", alarms=gone)
    sinks: dict[str, SinkState] = {}
    return Live(site, Annunciator(machine, QueuedLogbook(queue, sinks)), sinks)


def _since_now(stored: Stored, latest: float) -> Stored:
    """How alarms stood, without times that only a wrong clock can have given: see `RowClock`."""
    recent = tuple(one for one in stored.recent if one[0] <= latest)
    last = stored.last if stored.last[0] <= latest else Stored().last
    return replace(stored, recent=recent, last=last)


def still_open(site: Site, store: Store, now: float) -> tuple[Finding, ...]:
    """Findings that stood open when the process ended and that the site can still judge.

    The others are cleared in the journal, or they would stand there for ever: somebody has changed
    the site file. now: seconds since 1970.
    """
    found: tuple[Finding, ...] = _asked(store, open_findings, ())
    kept = tuple(f for f in found if judged(site, f, now))
    gone = [cleared(f, max(now, f.time)) for f in found if f not in kept]
    if gone:
        log.info(
            "findings that the site file leaves nobody to judge", findings=[f.id for f in gone]
        )
        try:
            store.write([], gone)
        except StoreError as error:
            log.warning("the end of findings is not in the journal", reason=str(error))
    return kept


def watching(
    site: Site, live: Live, store: Store, queue: Queue
) -> dict[str, Coroutine[Any, Any, None]]:
    """Work by the name of its task: one poller a controller, the row loop, the memory."""
    rows, measure = Rows(site), Measure(site)
    before = still_open(site, store, time.time())
    picture = _learnt(store, measure.columns)
    diagnosis = Diagnosis(site, measure.columns, before, picture)
    offsets = stagger([c.interval_s for c in site.controllers.values()])
    work: dict[str, Coroutine[Any, Any, None]] = {
        f"poll {key}": poll_controller(key, controller, rows.take, offset_s=SPREAD * offset)
        for (key, controller), offset in zip(site.controllers.items(), offsets, strict=True)
    }
    work["watch"] = watch(live, rows, measure, diagnosis, queue, store)
    work["remember"] = remember(live, store, measure, diagnosis)
    return work


def _learnt(store: Store, of: Columns) -> Picture | None:
    """The picture that the store has, as far as it is of these columns."""
    learnt = _asked(store, lambda connection: memory.recall(connection, PICTURE), None)
    if not learnt:
        return None
    try:
        picture, other = from_dict(learnt, of), outdated(learnt, of)
    except (AttributeError, TypeError, ValueError) as error:
        reason = f"{type(error).__name__}: {error}"
        log.warning("what was learnt is of another form: it is learnt anew", reason=reason)
        return None
    if other:
        names = [key for _, key in other]
        log.info("learnt anew: the site file has changed what they are", of=names)
    return picture


async def watch(
    live: Live,
    rows: Rows,
    measure: Measure,
    diagnosis: Diagnosis,
    queue: Queue,
    store: Store,
) -> None:
    """A row at a time from the pollers to everyone, for ever; rows go into `queue`."""
    interval = min((c.interval_s for c in live.site.controllers.values()), default=1.0)
    tick, start = 0, time.monotonic()
    newest = None if store.newest_ms is None else store.newest_ms / 1000
    clock, told, wrong = RowClock(newest, time.time(), start), ClockState(), Troubles(store)
    while True:
        tick = max(tick + 1, int((time.monotonic() - start) / interval - ROW_AT) + 1)
        await asyncio.sleep(start + (tick + ROW_AT - 1) * interval - time.monotonic())
        now = clock.at(time.time(), time.monotonic())
        told = _tell(told, clock.state)
        troubles = wrong.found(live.sinks, told) | live.notices
        block = rows.row(now)
        readings = measure.examine(block)
        findings = diagnosis.examine(readings)
        for finding in findings:
            log.info("finding", phase=finding.phase, fault=finding.fault, subject=finding.subject)
        changes = live.alarms.examine(readings, findings, diagnosis.open, troubles)
        live.show(
            Snapshot(
                live.next_number, now, readings, live.alarms.reported(diagnosis.open),
                rows.links, dict(live.sinks), live.alarms.standing, told, troubles,
            )
        )  # fmt: skip
        # At once after the machine moved: what people do next stands behind it in the journal.
        queue.put_nowait(Scan(block, readings, (*findings, *changes)))


def _tell(before: ClockState, now: ClockState) -> ClockState:
    if now.steps > before.steps:
        log.warning("clock", reason=now.reason)
    elif before.reason and not now.reason:
        log.info("rows follow the clock again")
    return now


async def remember(live: Live, store: Store, measure: Measure, diagnosis: Diagnosis) -> None:
    """Keep the learnt picture and how alarms stand, and unlearn what a person asks for."""
    folder, due, told = store.file.parent, time.monotonic(), ""

    def keep() -> None:
        live.learnt = to_dict(diagnosis.picture, measure.columns)
        store.do(memory.keep, PICTURE, round(time.time() * 1000), live.learnt)
        store.do(alarms.resume)

    try:
        while True:
            found, trouble = await _wishes(folder)
            if trouble and trouble != told:
                log.warning("wishes cannot be taken", reason=trouble)
            told = trouble
            for wish in found:
                await _relearn(store, diagnosis, *wish)
                due = time.monotonic()
            if time.monotonic() >= due:
                due = time.monotonic() + KEEP_S
                try:
                    await store.apart(keep)
                except StoreError as error:
                    log.warning("what was learnt is not on disk yet", reason=str(error))
            await asyncio.sleep(WISHES_S)
    finally:
        with suppress(StoreError):  # told already: the store is in trouble
            keep()


async def _wishes(folder: Path) -> tuple[list[tuple[str, str, str]], str]:
    """What people wish, and why it cannot be taken."""
    try:
        return await asyncio.to_thread(wishes.take_relearn, folder), ""
    except OSError as error:
        return [], str(error)


async def _relearn(
    store: Store, diagnosis: Diagnosis, loop_id: str, reason: str, person: str
) -> None:
    try:
        diagnosis.forget(loop_id)
    except KeyError:
        log.warning("asked to unlearn a loop that is not of this site", loop=loop_id)
        return
    log.info("unlearnt", loop=loop_id, reason=reason, person=person)
    entry = Entry(0, round(time.time() * 1000), "relearn", loop_id, reason=reason, actor=person)
    try:
        await store.ask(append, entry)
    except StoreError as error:
        log.warning("unlearning is not in the journal", loop=loop_id, reason=str(error))


def _asked(store: Store, question: Callable[[sqlite3.Connection], T], otherwise: T) -> T:
    """What the store says; `otherwise` where it cannot be read."""
    try:
        return store.do(question)
    except StoreError as error:
        log.warning("begun without what the history says", reason=str(error))
        return otherwise
