"""The one place that opens resources, starts tasks and shuts down in order.

Data flows as the lines of `watch` say: rows of register values, readings, findings, then the
snapshot for pages and publishers and the queue to the store. Shutdown is end-of-stream: stop
polling, drain the store, then let the receivers go.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Coroutine
from contextlib import suppress
from typing import Any

import structlog

from gateway.demo.control import run_plant
from gateway.diagnose.diagnose import Diagnosis
from gateway.diagnose.picture import from_dict, to_dict
from gateway.errors import StartError
from gateway.live import Live, Snapshot
from gateway.measure.measure import Measure
from gateway.plant.site import Site
from gateway.poll.poller import poll_controller
from gateway.poll.rows import Rows
from gateway.poll.schedule import stagger
from gateway.publish.influx import forward_influx
from gateway.publish.mqtt import publish_mqtt
from gateway.record import memory, wishes
from gateway.record.journal import Entry, append, open_findings
from gateway.record.opening import reader
from gateway.record.recorder import Scan, record
from gateway.record.retention import keep_pruned
from gateway.record.store import Store, open_store
from gateway.settings import Settings
from gateway.web.serve import serve

DRAIN_S = 10.0
"""Longest wait for the store to take the last rows."""
QUEUE = 1000
SPREAD = 0.8
ROW_AT = 0.95
"""Where in the interval a row is taken: after the staggered polls, which lie in the first 0.8."""
PICTURE = "picture"
WISHES_S = 5.0
KEEP_S = 600.0
"""Seconds between two looks for wishes, and between two writings of the picture."""

log = structlog.get_logger(__name__)


async def run_gateway(
    site: Site,
    settings: Settings,
    *,
    ready: Callable[[str], None] | None = None,
    stop: asyncio.Event | None = None,
) -> None:
    """Watch a site until `stop` is set or the task is cancelled.

    ready: called with the page's address once it can be opened. StartError when the port or the
    store is not to be had; any other exception ends the process.
    """
    stop = stop or asyncio.Event()
    if settings.bacnet_enabled:
        raise StartError(
            "LOOPWITNESS_BACNET_ENABLED: true; allowed: false, because the device is not joined "
            "to the gateway's alarms yet"
        )
    with open_store(settings.state_dir, site, events=bool(settings.mqtt_host)) as store:
        live = Live(site)
        queue: asyncio.Queue[Scan | None] = asyncio.Queue(QUEUE)
        async with asyncio.TaskGroup() as tasks:
            recorder = tasks.create_task(record(store, queue, live.sinks), name="record")
            receivers = [
                tasks.create_task(work, name=name)
                for name, work in _receivers(live, store, settings, ready).items()
            ]
            watching = [
                tasks.create_task(work, name=name)
                for name, work in _watching(site, live, store, queue).items()
            ]
            log.info("watching", site=site.site.id, controllers=len(site.controllers),
                     transducers=len(site.transducers), loops=len(site.loops))  # fmt: skip
            try:
                await stop.wait()
            finally:
                await _end(watching)
                await _drain(queue, recorder)
                await _end(receivers)
    log.info("stopped")


def _receivers(
    live: Live, store: Store, settings: Settings, ready: Callable[[str], None] | None
) -> dict[str, Coroutine[Any, Any, None]]:
    """Who is told: the pages always, the others when they are configured."""
    work = {
        "web": serve(live, store.file, settings, ready),
        "retention": keep_pruned(store, settings.keep_days),
    }
    if settings.mqtt_host:
        work["mqtt"] = publish_mqtt(live, store, settings)
    if settings.influx_url:
        work["influx"] = forward_influx(live, store, settings)
    return work


def _watching(
    site: Site, live: Live, store: Store, queue: asyncio.Queue[Scan | None]
) -> dict[str, Coroutine[Any, Any, None]]:
    """One poller a controller, and the row loop."""
    rows, measure = Rows(site), Measure(site)
    with reader(store.file) as connection:
        before, learnt = open_findings(connection), memory.recall(connection, PICTURE)
    picture = from_dict(learnt, measure.columns) if learnt else None
    diagnosis = Diagnosis(site, measure.columns, before, picture)
    offsets = stagger([c.interval_s for c in site.controllers.values()])
    work: dict[str, Coroutine[Any, Any, None]] = {
        f"poll {key}": poll_controller(key, controller, rows.take, offset_s=SPREAD * offset)
        for (key, controller), offset in zip(site.controllers.items(), offsets, strict=True)
    }
    work["watch"] = watch(live, rows, measure, diagnosis, queue)
    work["remember"] = remember(live, store, measure, diagnosis)
    return work


async def watch(
    live: Live,
    rows: Rows,
    measure: Measure,
    diagnosis: Diagnosis,
    queue: asyncio.Queue[Scan | None],
) -> None:
    """A row at a time from the pollers to everyone, for ever."""
    interval = min((c.interval_s for c in live.site.controllers.values()), default=1.0)
    number, last, start = 0, 0.0, time.monotonic()
    while True:
        number = max(number + 1, int((time.monotonic() - start) / interval - ROW_AT) + 1)
        await asyncio.sleep(start + (number + ROW_AT - 1) * interval - time.monotonic())
        last = max(time.time(), last + 0.001)
        block = rows.row(last)
        readings = measure.examine(block)
        findings = diagnosis.examine(readings)
        for finding in findings:
            log.info("finding", phase=finding.phase, fault=finding.fault, subject=finding.subject)
        live.show(Snapshot(number, last, readings, diagnosis.open, rows.links, dict(live.sinks)))
        await queue.put(Scan(block, readings, findings))


async def remember(live: Live, store: Store, measure: Measure, diagnosis: Diagnosis) -> None:
    """Keep the learnt picture in the store, and unlearn what a person asks for."""
    folder, due = store.file.parent, time.monotonic()

    def keep() -> None:
        live.learnt = to_dict(diagnosis.picture, measure.columns)
        store.do(memory.keep, PICTURE, round(time.time() * 1000), live.learnt)

    try:
        while True:
            for loop_id, reason in await asyncio.to_thread(wishes.take_relearn, folder):
                await _relearn(store, diagnosis, loop_id, reason)
                due = time.monotonic()
            if time.monotonic() >= due:
                due = time.monotonic() + KEEP_S
                await store.apart(keep)
            await asyncio.sleep(WISHES_S)
    finally:
        keep()


async def _relearn(store: Store, diagnosis: Diagnosis, loop_id: str, reason: str) -> None:
    try:
        diagnosis.forget(loop_id)
    except KeyError:
        log.warning("asked to unlearn a loop that is not of this site", loop=loop_id)
        return
    log.info("unlearnt", loop=loop_id, reason=reason)
    entry = Entry(0, round(time.time() * 1000), "relearn", loop_id, reason=reason, actor="local")
    await store.ask(append, entry)


async def _end(tasks: list[asyncio.Task[None]]) -> None:
    """Cancel tasks and wait for them; one that failed has told its group already."""
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)


async def _drain(queue: asyncio.Queue[Scan | None], recorder: asyncio.Task[None]) -> None:
    if recorder.done():
        return
    await queue.put(None)
    with suppress(TimeoutError):
        await asyncio.wait_for(asyncio.shield(recorder), DRAIN_S)
        return
    log.error("the store did not take the last rows in time", seconds=DRAIN_S)
    recorder.cancel()


async def run_demo(
    site: Site,
    settings: Settings,
    *,
    plant_port: int,
    seed: int,
    ready: Callable[[str], None] | None = None,
    stop: asyncio.Event | None = None,
) -> None:
    """The demo plant and a gateway that watches it, in one process, until `stop` is set."""
    stop = stop or asyncio.Event()
    running = asyncio.Event()
    async with asyncio.TaskGroup() as tasks:
        plant = tasks.create_task(
            run_plant(site, seed=seed, http_port=plant_port, ready=running), name="demo plant"
        )
        await running.wait()
        await run_gateway(site, settings, ready=ready, stop=stop)
        await _end([plant])
