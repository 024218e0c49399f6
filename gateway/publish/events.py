"""Findings and transitions of alarms, from the outbox to the broker: each at least once, in order.

An entry is struck off after the broker has confirmed it, and only then.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Iterable
from contextlib import suppress

import structlog

from gateway.alarm.states import Event, RefusedError
from gateway.errors import StoreError
from gateway.live import Live
from gateway.record import outbox, poison
from gateway.record.journal import ALARM, FINDING, to_finding, to_transition
from gateway.record.outbox import Waiting
from gateway.record.store import Store

from . import payloads
from .broker import IN_FLIGHT, Client, MessageRefusedError
from .leftovers import AtBroker
from .sink import Sink
from .topics import Topics

LOOK_S = 0.5
"""Seconds between two looks into an empty outbox."""
PAUSE_S = 5.0
"""Before another try, when the store or the broker does not want."""
TELLING = {Event.ALARM, Event.RETURN, Event.ACKNOWLEDGE, Event.RESET, Event.SHELVE, Event.UNSHELVE}
"""Events after which an alarm has a retained state; see `states.worth_telling`."""
UNREADABLE = (KeyError, TypeError, ValueError)

log = structlog.get_logger(__name__)


class Events:
    """The outbox on one connection."""

    def __init__(
        self, client: Client, live: Live, store: Store, sink: Sink, topics: Topics
    ) -> None:
        self._client, self._live, self._store = client, live, store
        self._sink, self._topics = sink, topics
        self._after = 0
        """Entries up to this one have been tried since the last beginning."""
        self._trouble = ""

    async def publish(self, there: AtBroker) -> None:
        """For ever, at most IN_FLIGHT events on their way; MqttError when the connection breaks.

        there: gets the alarms that something has happened to, since their retained state at the
        broker may be older than that.
        """
        while True:
            taken = 0
            try:
                taken = await self._send_some(there)
                await self._tell()
            except StoreError as error:
                # Retained states go on; an event that could not be struck off is sent again.
                self._trouble = str(error)
            trouble = self._trouble
            self._sink.note("events", f"events wait: {trouble}" if trouble else "")
            if not taken:
                # What was refused is tried again, after all the others have had their turn.
                self._after, self._trouble = 0, ""
                await asyncio.sleep(PAUSE_S if trouble else LOOK_S)

    async def _tell(self) -> None:
        self._sink.waiting(await self._store.ask(outbox.waiting))
        aside = await self._store.ask(poison.count, self._sink.name)
        self._sink.note("aside", f"{aside} events set aside" if aside else "")

    async def _send_some(self, there: AtBroker) -> int:
        """Send the oldest ones that have not been tried; how many were taken up."""
        taken = await self._store.ask(outbox.take, IN_FLIGHT, self._after)
        there.stale |= self._behind(taken)
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
        if done:
            self._sink.sent(len(done))
        if refused:
            self._trouble = refused[0]
        if taken:
            self._after = taken[-1].entry.seq
        return len(taken)

    def _behind(self, taken: Iterable[Waiting]) -> set[str]:
        """Alarms of this site whose retained state these entries may have changed."""
        found = set()
        for alarm in {one.entry.ref for one in taken if one.entry.phase in TELLING}:
            with suppress(RefusedError):
                found.add(self._live.alarms.of(alarm).definition.id)
        return found

    async def _send(self, one: Waiting, done: list[int], refused: list[str]) -> None:
        """Send one event; adds to `done` what need not be sent again, or to `refused` why not."""
        try:
            topic, payload = self._message(one)
        except UNREADABLE as error:
            await self._set_aside(one, f"{type(error).__name__}: {error}", done, refused)
            return
        try:
            await self._client.publish(topic, payload, 1)
        except MessageRefusedError as error:
            if error.faulty:
                await self._set_aside(one, str(error), done, refused)
            else:
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

    async def _set_aside(
        self, one: Waiting, reason: str, done: list[int], refused: list[str]
    ) -> None:
        """An entry that nobody can read or take must not hold up what comes after it."""
        record = json.dumps(one.entry.body, default=str)
        aside = [(one.entry.time_ms, record, reason)]
        try:
            await self._store.ask(poison.add, self._sink.name, aside)
        except StoreError as error:
            # Raised in a group of its own it would end more than this event.
            refused.append(str(error))
            return
        log.warning("event set aside", seq=one.entry.seq, reason=reason)
        done.append(one.entry.seq)
