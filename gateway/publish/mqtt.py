"""The MQTT side: retained states, events from the outbox, acknowledgements, birth and farewell."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Sequence

import aiomqtt
import structlog

from gateway.live import Live, Snapshot
from gateway.record.store import Store
from gateway.settings import Settings

from . import payloads
from .acknowledging import Desk
from .backoff import delays
from .broker import FAREWELL_S, IN_FLIGHT, Client, MessageRefusedError, connection
from .events import Events
from .leftovers import Leftovers
from .sink import Sink
from .states import Sent, State, alarm_states, states
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
    waits = delays()
    while True:
        try:
            async with connection(settings, topics) as client:
                await _birth(client, topics)
                sink.up()
                waits = delays()
                await _session(client, live, store, sink, topics, settings)
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
    client: Client, live: Live, store: Store, sink: Sink, topics: Topics, settings: Settings
) -> None:
    """Everything on one connection, until it breaks (ExceptionGroup of MqttError) or we stop."""
    leftovers, desk = Leftovers(live.alarms, topics), Desk(live.alarms, topics)
    retained = Retained(client, live, sink, topics, Sent(settings.mqtt_interval_s))
    events = Events(client, live, store, sink, topics)
    try:
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(_listen(client, topics, leftovers, desk), name="mqtt: listen")
            tasks.create_task(retained.publish(leftovers.stale), name="mqtt: states")
            tasks.create_task(events.publish(), name="mqtt: events")
            tasks.create_task(leftovers.clear(client), name="mqtt: leftovers")
            if settings.mqtt_acknowledge:
                tasks.create_task(desk.serve(client, sink), name="mqtt: acknowledgements")
    except asyncio.CancelledError:
        farewell = payloads.status("offline", "stopped", time.time())
        try:
            await client.publish(topics.status, farewell, 1, retain=True, timeout=FAREWELL_S)
        except aiomqtt.MqttError as error:
            log.info("no farewell to the broker", reason=str(error))
        raise


async def _birth(client: Client, topics: Topics) -> None:
    birth = payloads.status("online", "", time.time())
    await client.publish(topics.status, birth, 1, retain=True)


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

    async def publish(self, stale: set[str]) -> None:
        """States of every snapshot, as they become due; MqttError when the connection breaks.

        stale: ids of alarms that the broker shows as not at rest; those that are at rest are told
        so and taken out, those that stand are put in.
        """
        async for snapshot in self._live.snapshots():
            standing = {one.definition.id for one in snapshot.alarms}
            over = stale - standing
            due = [s for s in self._states(snapshot, over) if self._told.is_due(s, snapshot.time)]
            for k in range(0, len(due), IN_FLIGHT):
                await self._send(due[k : k + IN_FLIGHT], snapshot.time)
            stale -= over
            stale |= standing
            self._sink.note("states", self._told.trouble)

    def _states(self, snapshot: Snapshot, over: set[str]) -> list[State]:
        live, topics = self._live, self._topics
        alarms = alarm_states(live.alarms, snapshot, topics, over)
        return [*alarms, *states(live.site, snapshot, topics)]

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
