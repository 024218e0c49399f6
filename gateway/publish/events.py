"""Findings and transitions of alarms, from the outbox to the broker: each at least once, in order.

An entry is struck off after the broker has confirmed it, and only then.
"""

from __future__ import annotations

import asyncio
import json

import structlog

from gateway.errors import StoreError
from gateway.live import Live
from gateway.record import outbox, poison
from gateway.record.journal import ALARM, FINDING, to_finding, to_transition
from gateway.record.outbox import Waiting
from gateway.record.store import Store

from . import payloads
from .broker import IN_FLIGHT, Client, MessageRefusedError
from .sink import Sink
from .topics import Topics

LOOK_S = 0.5
"""Seconds between two looks into an empty outbox."""
PAUSE_S = 5.0
"""Before another try, when the store or the broker does not want."""
UNREADABLE = (KeyError, TypeError, ValueError)

log = structlog.get_logger(__name__)


class Events:
    """The outbox on one connection."""

    def __init__(
        self, client: Client, live: Live, store: Store, sink: Sink, topics: Topics
    ) -> None:
        self._client, self._live, self._store = client, live, store
        self._sink, self._topics = sink, topics

    async def publish(self) -> None:
        """For ever, at most IN_FLIGHT events on their way; MqttError when the connection breaks."""
        while True:
            taken, trouble = 0, ""
            try:
                taken, trouble = await self._send_some()
                self._sink.waiting(await self._store.ask(outbox.waiting))
            except StoreError as error:
                # Retained states go on; an event that could not be struck off is sent again.
                trouble = str(error)
            self._sink.note("events", f"events wait: {trouble}" if trouble else "")
            if trouble:
                await asyncio.sleep(PAUSE_S)
            elif not taken:
                await asyncio.sleep(LOOK_S)

    async def _send_some(self) -> tuple[int, str]:
        """Send the oldest ones; how many were taken up, and what the broker has against them."""
        taken = await self._store.ask(outbox.take, IN_FLIGHT)
        done: list[int] = []
        refused: list[str] = []
        try:
            async with asyncio.TaskGroup() as tasks:
                for one in taken:
                    work = self._send(one, done, refused)
                    tasks.create_task(work, name=f"event {one.entry.seq}")
        finally:
            if done:
                await self._store.ask(outbox.done, done)
        self._sink.sent(len(done))
        return len(taken), refused[0] if refused else ""

    async def _send(self, one: Waiting, done: list[int], refused: list[str]) -> None:
        """Send one event; adds to `done` what need not be sent again."""
        try:
            topic, payload = self._message(one)
        except UNREADABLE as error:
            await self._set_aside(one, f"{type(error).__name__}: {error}")
            done.append(one.entry.seq)
            return
        try:
            await self._client.publish(topic, payload, 1)
        except MessageRefusedError as error:
            refused.append(f"the broker refuses {topic}: {error}")
        else:
            done.append(one.entry.seq)

    def _message(self, one: Waiting) -> tuple[str, str]:
        """Topic and payload; one of UNREADABLE for an entry that is none of ours."""
        topics, entry = self._topics, one.entry
        if entry.kind == ALARM:
            transition = to_transition(entry)
            return topics.alarms, payloads.alarm_event(topics.site, one, transition)
        if entry.kind == FINDING:
            (told,) = self._live.alarms.reported([to_finding(entry)])
            return topics.findings, payloads.finding_event(topics.site, one, told)
        raise ValueError(f"kind {entry.kind}; allowed: {ALARM}, {FINDING}")

    async def _set_aside(self, one: Waiting, reason: str) -> None:
        """An entry that nobody can read must not hold up what comes after it."""
        log.warning("event set aside: it cannot be read", seq=one.entry.seq, reason=reason)
        record = json.dumps(one.entry.body, default=str)
        await self._store.ask(poison.add, self._sink.name, [(one.entry.time_ms, record, reason)])
