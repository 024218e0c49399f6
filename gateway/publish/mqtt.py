"""The MQTT side: retained states, findings as events, whether the gateway is there."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Sequence

import aiomqtt
import structlog

from gateway.errors import StoreError
from gateway.live import Live
from gateway.record import outbox
from gateway.record.journal import Entry, to_finding
from gateway.record.store import Store
from gateway.settings import Settings

from . import payloads
from .backoff import delays
from .broker import FAREWELL_S, IN_FLIGHT, connection
from .sink import Sink
from .states import Sent, State, states
from .topics import Topics

NAME = "mqtt"
LOOK_S = 0.5
"""Seconds between two looks into an empty outbox."""
STORE_PAUSE_S = 5.0

log = structlog.get_logger(__name__)


async def publish_mqtt(live: Live, store: Store, settings: Settings) -> None:
    """Publish a site for ever; returns only by being cancelled, and says "offline" then.

    A broker that is gone or silent is tried again after 1 to 60 s; how it is doing stands in
    `live.sinks["mqtt"]`. Events wait in the outbox until the broker has confirmed them.
    """
    sink = Sink(NAME, live.sinks, (settings.mqtt_password.get_secret_value(),))
    topics = Topics(settings.mqtt_prefix, live.site.site.id)
    waits = delays()
    while True:
        try:
            async with connection(settings, topics) as client:
                await _birth(client, topics)
                sink.up()
                waits = delays()
                await _session(client, live, store, sink, topics, settings.mqtt_interval_s)
        except* (aiomqtt.MqttError, OSError) as group:
            sink.down(_words(group))
        await asyncio.sleep(next(waits))


def _words(group: BaseExceptionGroup[BaseException]) -> str:
    """The first error of a group in words."""
    first: BaseException = group
    while isinstance(first, BaseExceptionGroup):
        first = first.exceptions[0]
    return str(first) or type(first).__name__


async def _session(
    client: aiomqtt.Client,
    live: Live,
    store: Store,
    sink: Sink,
    topics: Topics,
    interval_s: float,
) -> None:
    """Everything on one connection, until it breaks (ExceptionGroup of MqttError) or we stop."""
    try:
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(_watch(client), name="mqtt: watch")
            tasks.create_task(_states(client, live, sink, topics, interval_s), name="mqtt: states")
            tasks.create_task(_events(client, live, store, sink, topics), name="mqtt: events")
    except asyncio.CancelledError:
        farewell = payloads.status("offline", "stopped", time.time())
        try:
            await client.publish(topics.status, farewell, 1, retain=True, timeout=FAREWELL_S)
        except aiomqtt.MqttError as error:
            log.info("no farewell to the broker", reason=str(error))
        raise


async def _birth(client: aiomqtt.Client, topics: Topics) -> None:
    birth = payloads.status("online", "", time.time())
    await client.publish(topics.status, birth, 1, retain=True)


async def _watch(client: aiomqtt.Client) -> None:
    """Ends with MqttError as soon as the connection is lost; a publish would wait on."""
    async for _ in client.messages:
        pass  # nothing is subscribed to


async def _states(
    client: aiomqtt.Client, live: Live, sink: Sink, topics: Topics, interval_s: float
) -> None:
    told = Sent(interval_s)
    async for snapshot in live.snapshots():
        now = snapshot.time
        due = [s for s in states(live.site, snapshot, topics) if told.is_due(s, now)]
        for k in range(0, len(due), IN_FLIGHT):
            part = due[k : k + IN_FLIGHT]
            await _publish_states(client, part)
            sink.sent(len(part))
            for state in part:
                told.add(state, now)


async def _publish_states(client: aiomqtt.Client, part: Sequence[State]) -> None:
    async with asyncio.TaskGroup() as tasks:
        for state in part:
            tasks.create_task(
                client.publish(state.topic, state.payload(), 1, retain=True), name=state.topic
            )


async def _events(
    client: aiomqtt.Client, live: Live, store: Store, sink: Sink, topics: Topics
) -> None:
    """The outbox in order, at most IN_FLIGHT events on their way."""
    while True:
        try:
            entries = await store.ask(outbox.take, IN_FLIGHT)
            if entries:
                await _publish_events(client, live, store, topics, entries)
                sink.sent(len(entries))
            sink.waiting(await store.ask(outbox.waiting))
            sink.up()
        except StoreError as error:
            # Retained states go on; an event that could not be struck off is sent again.
            sink.up(f"events wait: {error}")
            await asyncio.sleep(STORE_PAUSE_S)
        else:
            if not entries:
                await asyncio.sleep(LOOK_S)


async def _publish_events(
    client: aiomqtt.Client, live: Live, store: Store, topics: Topics, entries: Sequence[Entry]
) -> None:
    confirmed: list[int] = []

    async def publish(entry: Entry) -> None:
        (told,) = live.alarms.reported([to_finding(entry)])
        await client.publish(topics.findings, payloads.event(topics.site, entry, told), 1)
        confirmed.append(entry.seq)

    try:
        async with asyncio.TaskGroup() as tasks:
            for entry in entries:
                tasks.create_task(publish(entry), name=f"event {entry.seq}")
    finally:
        if confirmed:
            await store.ask(outbox.done, confirmed)
