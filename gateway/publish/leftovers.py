"""What the broker still keeps from former times: put right, or removed.

A site file changes, a gateway is killed while an alarm stands: without this the broker would go on
showing a transducer that is no more, or an alarm that has long been over.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Collection
from dataclasses import dataclass, field

import aiomqtt
import structlog

from gateway.alarm.states import RefusedError, State
from gateway.annunciator import Annunciator

from .broker import Client, MessageRefusedError, subscribe
from .topics import Topics

SETTLE_S = 3.0
"""Seconds without another retained message after which no more are awaited: the broker sends them
right after the subscription, and nothing says which one is the last."""

log = structlog.get_logger(__name__)


@dataclass
class AtBroker:
    """Alarms that the broker has a retained state of, by id; kept over connections.

    known: it has one. stale: of these, what may stand there as something else than normal.
    """

    known: set[str] = field(default_factory=set)
    stale: set[str] = field(default_factory=set)

    def told(self, over: Collection[str], standing: Collection[str]) -> None:
        """The broker now shows these as they are, at rest or nearly so, and those as they stand."""
        self.known.update(over, standing)
        self.stale.difference_update(over)
        self.stale.update(standing)


class Leftovers:
    """Retained messages of this site that a former time left at the broker, on one connection."""

    def __init__(self, alarms: Annunciator, topics: Topics, there: AtBroker) -> None:
        self._alarms, self._topics, self._there = alarms, topics, there
        self._arrived: asyncio.Queue[aiomqtt.Message] = asyncio.Queue()

    def take(self, message: aiomqtt.Message) -> None:
        """A retained message has come."""
        self._arrived.put_nowait(message)

    async def clear(self, client: Client) -> None:
        """Look at all there are once; MqttError when the connection breaks.

        Where the broker does not let us look, nothing is removed.
        """
        removed = 0
        if refused := await subscribe(client, self._topics.retained):
            log.info("former retained states stay: they cannot be looked at", reason=refused)
            return
        while True:
            try:
                message = await asyncio.wait_for(self._arrived.get(), SETTLE_S)
            except TimeoutError:
                break
            if self._is_ours(message):
                continue
            try:
                await client.publish(str(message.topic), b"", 1, retain=True)
            except MessageRefusedError as error:
                log.warning("retained state of what is no more stays", topic=str(message.topic),
                            reason=str(error))  # fmt: skip
                continue
            removed += 1
        await client.unsubscribe(list(self._topics.retained))
        if removed:
            log.info("retained states of what is no more removed", number=removed)

    def _is_ours(self, message: aiomqtt.Message) -> bool:
        """Whether the site still has what this is about; notes what must be told anew."""
        about = self._topics.subject(str(message.topic))
        site = self._alarms.definitions.site
        match about:
            case "loops", subject:
                return subject in site.loops
            case "transducers", subject:
                return subject in site.transducers
            case "controllers", subject:
                return subject in site.controllers
            case "alarms", alarm:
                return self._is_alarm(alarm, message.payload)
            case _:
                return True  # not for us to judge

    def _is_alarm(self, alarm: str, payload: object) -> bool:
        try:
            self._alarms.of(alarm)
        except RefusedError:
            return False
        self._there.known.add(alarm)
        if _state(payload) != State.NORMAL:
            self._there.stale.add(alarm)
        return True


def _state(payload: object) -> object:
    """The state that a retained alarm tells; None when it tells none."""
    try:
        content = json.loads(payload if isinstance(payload, bytes | str) else b"")
    except (ValueError, RecursionError):
        return None
    return content.get("state") if isinstance(content, dict) else None
