"""The MQTT side: retained states, events from the outbox, acknowledgements, birth and farewell."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Coroutine, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from typing import Any

import aiomqtt
import structlog

from gateway.alarm.machine import Standing
from gateway.errors import StoreError
from gateway.live import Live, Snapshot
from gateway.record import outbox
from gateway.record.store import Store
from gateway.settings import Settings

from . import payloads
from .acknowledging import Desk
from .backoff import delays
from .broker import FAREWELL_S, Client, MessageRefusedError, connection
from .events import Events
from .leftovers import AtBroker, Leftovers
from .sink import Sink
from .sizes import Sizes
from .states import Sent, State, alarm_states, states, worth_telling
from .topics import Topics

NAME = "mqtt"

log = structlog.get_logger(__name__)


async def publish_mqtt(live: Live, store: Store, settings: Settings) -> None:
    """Publish a site for ever; returns only by being cancelled, and says "offline" then.

    A broker that is gone or silent is tried again after 1 to 60 s; how it is doing stands in
    `live.sinks["mqtt"]`. Events wait in the outbox until the broker has confirmed them.
    """
    sink = Sink(NAME, live.sinks, (settings.mqtt_password.get_secret_value(),))
    topics = Topics(settings.mqtt_prefix, live.site.site.id)
    waits, there, sizes = delays(), AtBroker(), Sizes()
    while True:
        try:
            async with connection(settings, topics, sizes) as client:
                sink.up()
                await _birth(client, topics, sink)
                waits = delays()
                work = _work(client, live, store, sink, topics, settings, there)
                await _session(client, topics, work)
        except* (aiomqtt.MqttError, OSError) as group:
            sizes.broke()
            sink.down(_words(group))
            await _count(store, sink)
        await asyncio.sleep(next(waits))


async def _count(store: Store, sink: Sink) -> None:
    """Show what waits while nobody takes it: that is when people and monitors look."""
    with suppress(StoreError):
        sink.waiting(await store.ask(outbox.waiting))


def _words(group: BaseExceptionGroup[BaseException]) -> str:
    """The first error of a group in words."""
    first: BaseException = group
    while isinstance(first, BaseExceptionGroup):
        first = first.exceptions[0]
    return str(first) or type(first).__name__


def _work(
    client: Client,
    live: Live,
    store: Store,
    sink: Sink,
    topics: Topics,
    settings: Settings,
    there: AtBroker,
) -> dict[str, Coroutine[Any, Any, None]]:
    """Everything that goes on at once on one connection, by name."""
    leftovers, desk = Leftovers(live.alarms, topics, there), Desk(live.alarms, topics)
    retained = Retained(client, live, sink, topics, Sent(settings.mqtt_interval_s))
    work = {
        "listen": _listen(client, topics, leftovers, desk),
        "states": retained.publish(there),
        "events": Events(client, live, store, sink, topics).publish(there),
        "leftovers": leftovers.clear(client),
    }
    if settings.mqtt_acknowledge:
        work["acknowledgements"] = desk.serve(client, sink)
    return work


async def _session(
    client: Client, topics: Topics, work: Mapping[str, Coroutine[Any, Any, None]]
) -> None:
    """All of it until the connection breaks (ExceptionGroup of MqttError) or we stop."""
    try:
        async with asyncio.TaskGroup() as tasks:
            for name, one in work.items():
                tasks.create_task(one, name=f"mqtt: {name}")
    except asyncio.CancelledError:
        farewell = payloads.status("offline", "stopped", time.time())
        try:
            await client.publish(topics.status, farewell, 1, retain=True, timeout=FAREWELL_S)
        except aiomqtt.MqttError as error:
            log.info("no farewell to the broker", reason=str(error))
        raise


async def _birth(client: Client, topics: Topics, sink: Sink) -> None:
    birth = payloads.status("online", "", time.time())
    try:
        await client.publish(topics.status, birth, 1, retain=True)
    except MessageRefusedError as error:
        sink.note("status", f"the broker refuses {topics.status}: {error}")


async def _listen(client: Client, topics: Topics, leftovers: Leftovers, desk: Desk) -> None:
    """Hand over what comes; ends with MqttError as soon as the connection is lost.

    A publish would wait on.
    """
    async for message in client.messages:
        if str(message.topic) == topics.acknowledge:
            desk.take(message)
        elif message.retain:
            leftovers.take(message)


class Retained:
    """Retained states on one connection."""

    def __init__(self, client: Client, live: Live, sink: Sink, topics: Topics, told: Sent) -> None:
        self._client, self._live, self._sink, self._topics = client, live, sink, topics
        self._told = told

    async def publish(self, there: AtBroker) -> None:
        """States of every snapshot, as they become due; MqttError when the connection breaks.

        there: which alarms the broker has, renewed here; those that are at rest are told so.
        """
        async for snapshot in self._live.snapshots():
            standing = worth_telling(snapshot, there.known)
            ids = {one.definition.id for one in standing}
            over = there.stale - ids
            for part in self._parts(self._alarms(snapshot, standing, over), snapshot):
                await self._send(part, snapshot.time)
            there.told(over, ids)
            for part in self._parts(states(self._live.site, snapshot, self._topics), snapshot):
                await self._send(part, snapshot.time)
                if self._live.latest is not snapshot:
                    # Far from the broker all of a large site takes longer than a row: what has
                    # changed meanwhile does not wait for the rest.
                    break
            self._sink.note("states", self._told.trouble)

    def _alarms(
        self, snapshot: Snapshot, standing: Sequence[Standing], over: Iterable[str]
    ) -> Iterator[State]:
        alarms = self._live.alarms
        return alarm_states(alarms, snapshot, self._topics, [*standing, *map(alarms.of, over)])

    def _parts(self, shown: Iterable[State], snapshot: Snapshot) -> Iterator[list[State]]:
        """Those that are due, as many at a time as may be on their way."""
        due, most = self._told.due(shown, snapshot.time), self._client.in_flight
        for k in range(0, len(due), most):
            yield due[k : k + most]

    async def _send(self, part: Sequence[State], now: float) -> None:
        async with asyncio.TaskGroup() as tasks:
            for state in part:
                tasks.create_task(self._send_one(state, now), name=state.topic)

    async def _send_one(self, state: State, now: float) -> None:
        try:
            await self._client.publish(state.topic, state.payload(), 1, retain=True)
        except MessageRefusedError as error:
            if state.topic not in self._told.refused:
                log.warning("retained state refused", topic=state.topic, reason=str(error))
            self._told.add(state, now, str(error))
        else:
            self._told.add(state, now)
            self._sink.sent(1)
