"""The one place that opens resources, starts tasks and shuts down in order.

How data flows stands in `watching.py`; who receives it stands here. Shutdown is end-of-stream:
stop polling, drain the store, then let the receivers go.
"""

from __future__ import annotations

import asyncio
import gc
from collections.abc import Callable, Coroutine
from contextlib import suppress
from typing import Any

import structlog

from gateway.checking.checks import Checks
from gateway.checking.duedates import keep_due
from gateway.checking.lookback import HistoryBehind
from gateway.demo.control import run_plant
from gateway.export.archive import Archive
from gateway.live import Live
from gateway.people.telling import keep_people_told
from gateway.plant.site import Site
from gateway.process import keep_collected, program_version
from gateway.publish.bacnet import publish_bacnet
from gateway.publish.bacnet_source import GatewayAlarms
from gateway.publish.influx import forward_influx
from gateway.publish.mqtt import publish_mqtt
from gateway.record.recorder import Queue, record
from gateway.record.retention import Keep, keep_pruned
from gateway.record.store import Store, open_store
from gateway.settings import Settings
from gateway.supervisor import keep_told, supervisor_of
from gateway.watching import restored, watching
from gateway.web.serve import serve

DRAIN_S = 10.0
"""Longest wait for the store to take the last rows."""

log = structlog.get_logger(__name__)


async def run_gateway(
    site: Site,
    settings: Settings,
    *,
    ready: Callable[[str], None] | None = None,
    stop: asyncio.Event | None = None,
) -> None:
    """Watch a site until `stop` is set or the task is cancelled.

    ready: called with the page's address once it can be opened. StartError when a port or the
    store is not to be had; any other exception ends the process.
    """
    stop, up, supervisor = stop or asyncio.Event(), asyncio.Event(), supervisor_of()

    def opened(address: str) -> None:
        up.set()
        # What the start has made stays. The collector would look through it again and again, each
        # time for a tenth of a second in which nothing is polled.
        gc.collect()
        gc.freeze()
        if ready:
            ready(address)

    with open_store(settings.state_dir, site, events=bool(settings.mqtt_host)) as store:
        queue: Queue = asyncio.Queue()
        live = restored(site, store, queue)
        checks = Checks(live, store, program_version(), look_back=HistoryBehind(store.file))
        async with asyncio.TaskGroup() as tasks:
            recorder = tasks.create_task(record(store, queue, live.sinks), name="record")
            receivers = [
                tasks.create_task(work, name=name)
                for name, work in _receivers(live, store, queue, settings, opened, checks).items()
            ]
            receivers.append(tasks.create_task(keep_told(live, up, supervisor), name="supervisor"))
            receivers.append(tasks.create_task(keep_collected(), name="collecting"))
            watchers = [
                tasks.create_task(work, name=name)
                for name, work in watching(site, live, store, queue).items()
            ]
            watchers += [
                tasks.create_task(checks.watch(), name="loop checks"),
                tasks.create_task(keep_due(live, store, checks), name="due dates"),
            ]
            log.info("watching", site=site.site.id, controllers=len(site.controllers),
                     transducers=len(site.transducers), loops=len(site.loops))  # fmt: skip
            try:
                await stop.wait()
            finally:
                gc.unfreeze()
                supervisor.tell("STOPPING=1")
                await _end(watchers)
                live.alarms.close("the gateway is stopping")
                await _drain(queue, recorder)
                await _end(receivers)
    log.info("stopped")


def _receivers(
    live: Live,
    store: Store,
    queue: Queue,
    settings: Settings,
    ready: Callable[[str], None],
    checks: Checks,
) -> dict[str, Coroutine[Any, Any, None]]:
    """Who is told: the pages always, the others when they are configured."""
    archive = Archive(store.file, live.site) if settings.archive else None
    work = {
        "web": serve(live, store.file, settings, ready, checks=checks, note=queue.put_nowait),
        "people": keep_people_told(store),
        "retention": keep_pruned(store, _keep(settings), live.sinks, archive),
    }
    if settings.mqtt_host:
        work["mqtt"] = publish_mqtt(live, store, settings)
    if settings.influx_url:
        work["influx"] = forward_influx(live, store, settings)
    if settings.bacnet_enabled:
        work["bacnet"] = publish_bacnet(live, GatewayAlarms(live.alarms), settings)
    return work


def _keep(settings: Settings) -> Keep:
    return Keep(
        raw=settings.keep_days,
        minutes=settings.keep_minutes_days,
        hours=settings.keep_hours_days,
        journal=settings.keep_journal_days,
    )


async def _end(tasks: list[asyncio.Task[None]]) -> None:
    """Cancel tasks and wait for them; one that failed has told its group already."""
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)


async def _drain(queue: Queue, recorder: asyncio.Task[None]) -> None:
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
