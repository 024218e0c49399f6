"""Acknowledgements that come over MQTT: read, checked, recorded, answered where asked for.

A request names the alarm and when it began, so that a message that was kept somewhere, or comes
twice, never acknowledges a later alarm. Whoever may publish to the topic may acknowledge: the
broker must know its clients, which is why the setting asks for a connection that is authenticated.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from typing import Any

import aiomqtt
import structlog
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from pydantic import ValidationError

from gateway.alarm import actions
from gateway.alarm.memory import Memory
from gateway.alarm.states import RefusedError, State
from gateway.annunciator import Annunciator
from gateway.errors import StoreError
from gateway.plant.faults import clean, in_words, shown
from gateway.views import iso

from . import payloads
from .broker import Client, MessageRefusedError, subscribe
from .messages import AcknowledgeAnswer, AcknowledgeRequest
from .sink import Sink
from .topics import Topics

MOST_BYTES = 4096
MOST_WAITING = 100
"""Requests that wait for the disk; more at once are no people."""

log = structlog.get_logger(__name__)


class _Refusal(Exception):  # noqa: N818 - an answer, handled where the request is known
    """Why a request is not carried out: the result that the answer names, and words."""

    def __init__(self, result: str, words: str) -> None:
        self.result = result
        super().__init__(words)


class Desk:
    """Takes requests from one connection, one after the other."""

    def __init__(
        self, alarms: Annunciator, topics: Topics, clock: Callable[[], float] = time.time
    ) -> None:
        self._alarms, self._topics, self._clock = alarms, topics, clock
        self._waiting: asyncio.Queue[aiomqtt.Message] = asyncio.Queue(MOST_WAITING)

    def take(self, message: aiomqtt.Message) -> None:
        """A message has come to the topic."""
        if message.retain:
            # Left at the broker by somebody, who knows when: not what a person does now.
            log.warning("retained acknowledgement ignored", topic=str(message.topic))
            return
        try:
            self._waiting.put_nowait(message)
        except asyncio.QueueFull:
            log.warning("acknowledgement ignored: too many at once", waiting=MOST_WAITING)

    async def serve(self, client: Client, sink: Sink) -> None:
        """Subscribe and work for ever; MqttError when the connection breaks."""
        refused = await subscribe(client, [self._topics.acknowledge], retained=False)
        if refused:
            sink.note("acknowledging", f"no acknowledgements: the broker refuses ({refused})")
            log.warning("no acknowledgements over MQTT", reason=refused)
            return
        while True:
            message = await self._waiting.get()
            answer = await self.answer(message.payload)
            await self._reply(client, message, answer)

    async def answer(self, payload: object) -> AcknowledgeAnswer:
        """Carry out one request; never raises for what is wrong with it."""
        asked: AcknowledgeRequest | None = None
        try:
            asked = read(payload)
            result, error = await self._acknowledge(asked), ""
        except _Refusal as refusal:
            result, error = refusal.result, str(refusal)
            log.warning("acknowledgement over MQTT not taken", result=result, reason=error,
                        person=asked.person if asked else None)  # fmt: skip
        memory = self._memory(asked)
        return AcknowledgeAnswer.model_validate(
            {
                "accepted": not error,
                "result": result,
                "error": error,
                "alarm": asked.alarm if asked else None,
                "onset": iso(memory.onset) if memory and memory.onset else None,
                "state": memory.state.value if memory else None,
                "time": iso(self._clock()),
            }
        )

    async def _acknowledge(self, asked: AcknowledgeRequest) -> str:
        """Do it; gives the result. _Refusal when it cannot be, or cannot be recorded."""
        try:
            memory = self._alarms.of(asked.alarm).memory
            _same_alarm(asked, memory)
            if memory.acknowledged:
                # Somebody was quicker, perhaps this very moment: it counts once it is on disk.
                await self._alarms.recorded()
                return "acknowledged already"
            actor = f"{asked.person} (MQTT)"
            await self._alarms.act(actions.acknowledge(asked.alarm, actor, asked.comment))
        except RefusedError as error:
            raise _Refusal("refused", str(error)) from None
        except StoreError as error:
            raise _Refusal("not recorded", str(error)) from None
        return "acknowledged"

    def _memory(self, asked: AcknowledgeRequest | None) -> Memory | None:
        """The alarm as it stands now, when there is one."""
        try:
            return self._alarms.of(asked.alarm).memory if asked else None
        except RefusedError:
            return None

    async def _reply(
        self, client: Client, message: aiomqtt.Message, answer: AcknowledgeAnswer
    ) -> None:
        """Send the answer where the request says, if it says and may; MQTT 3.1.1 cannot say."""
        given: Any = message.properties
        topic = getattr(given, "ResponseTopic", None)
        if topic is None:
            return
        if not self._topics.may_answer(topic):
            allowed = f"below {self._topics.answers}, or outside {self._topics.root}"
            log.warning("no answer at this topic", topic=clean(topic), allowed=allowed)
            return
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call] # of the library
        if (correlation := getattr(given, "CorrelationData", None)) is not None:
            properties.CorrelationData = correlation
        try:
            await client.publish(topic, payloads.text(answer), 1, properties=properties)
        except MessageRefusedError as error:
            log.warning("no answer: the broker refuses it", topic=clean(topic), reason=str(error))


def read(payload: object) -> AcknowledgeRequest:
    """The request in a payload; _Refusal("bad", ...) names every fault of it."""
    raw = payload if isinstance(payload, bytes) else b""
    if len(raw) > MOST_BYTES:
        raise _Refusal("bad", f"{len(raw)} bytes; allowed: at most {MOST_BYTES}")
    try:
        return AcknowledgeRequest.model_validate_json(raw)
    except ValidationError as error:
        raise _Refusal("bad", "; ".join(_faults(error))) from None


def _faults(error: ValidationError) -> list[str]:
    first = error.errors(include_url=False)[0]
    if first["type"] == "json_invalid":
        return [f"{first['msg'][:1].lower()}{first['msg'][1:]}"]
    if not first["loc"]:
        return [f"{shown(first['input'])}; allowed: an object with alarm, onset and person"]
    return [str(fault) for fault in in_words(error, AcknowledgeRequest)]


def _same_alarm(asked: AcknowledgeRequest, memory: Memory) -> None:
    """The alarm that was seen must be the one that stands."""
    if memory.state is State.NORMAL:
        raise _Refusal("refused", f"{asked.alarm}: it is at rest: nothing waits for anybody")
    if asked.onset_ms != round(memory.onset * 1000):
        began = f"it began at {iso(memory.onset)}" if memory.onset else "it has not begun"
        raise _Refusal(
            "refused",
            f"{asked.alarm}: onset {asked.onset}: not the alarm that stands now: "
            f"{began}; allowed: the onset of the alarm that was seen",
        )
