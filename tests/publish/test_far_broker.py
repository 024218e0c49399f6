"""Brokers that take few messages at once, or are far away: nothing breaks, changes go first."""

from __future__ import annotations

import asyncio
import contextlib
from collections import Counter
from pathlib import Path
from typing import Any, cast

import pytest

from gateway.live import LinkState, Live
from gateway.publish import events
from gateway.publish.broker import Client
from gateway.publish.leftovers import AtBroker
from gateway.publish.mqtt import Retained, publish_mqtt
from gateway.publish.sink import Sink
from gateway.publish.states import Sent
from gateway.publish.topics import Topics
from gateway.record.store import open_store
from tests.publish.made import START, options, plant, shown, transition, until

HERE = plant()
TOPICS = Topics("loopwitness", "test")
CONNACK, PUBLISH, PUBACK, SUBSCRIBE, UNSUBSCRIBE, PINGREQ = 0x20, 3, 0x40, 8, 10, 12
CONFIRM_S = 0.02


class Narrow:
    """A broker that speaks just enough MQTT 5 and takes `most` messages at once (3.2.2.3.3).

    It confirms each a little later, and ends the connection over one too many, as the standard
    lets it. topics: how often each was told.
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self.topics: Counter[str] = Counter()
        self.connections = self.largest = 0

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        waiting: set[asyncio.Task[None]] = set()

        async def confirm(mid: bytes) -> None:
            await asyncio.sleep(CONFIRM_S)
            writer.write(bytes([PUBACK, 2]) + mid)

        with contextlib.suppress(asyncio.IncompleteReadError, ConnectionError):
            await _packet(reader)
            writer.write(bytes([CONNACK, 6, 0, 0, 3, 0x21, 0, self._most]))
            while len(waiting) <= self._most:
                kind, body = await _packet(reader)
                if kind == PUBLISH:
                    end = 2 + int.from_bytes(body[:2])
                    self.topics[body[2:end].decode()] += 1
                    task = asyncio.create_task(confirm(body[end : end + 2]))
                    waiting.add(task)
                    task.add_done_callback(waiting.discard)
                    self.largest = max(self.largest, len(waiting))
                elif kind in {SUBSCRIBE, UNSUBSCRIBE}:
                    answer = 0x90 if kind == SUBSCRIBE else 0xB0
                    writer.write(bytes([answer, 7]) + body[:2] + bytes(5))  # of four topics
                elif kind == PINGREQ:
                    writer.write(bytes([0xD0, 0]))
        for task in waiting:
            task.cancel()
        writer.close()


async def _packet(reader: asyncio.StreamReader) -> tuple[int, bytes]:
    """Its kind and what follows the fixed header."""
    kind, size, shift = (await reader.readexactly(1))[0] >> 4, 0, 0
    while True:
        (byte,) = await reader.readexactly(1)
        size |= (byte & 0x7F) << shift
        shift += 7
        if byte < 0x80:
            return kind, await reader.readexactly(size)


@pytest.mark.slow
async def test_no_more_on_their_way_than_the_broker_takes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(events, "LOOK_S", 0.02)
    there, live = Narrow(3), Live(HERE)
    with open_store(tmp_path, HERE, events=True) as store:
        store.write([], [transition(k) for k in range(30)])
        shown(live, 0)
        async with await asyncio.start_server(there.serve, "127.0.0.1", 0) as server:
            port = server.sockets[0].getsockname()[1]
            wanted = options(mqtt_host="127.0.0.1", mqtt_port=port, mqtt_interval_s=3600)
            task = asyncio.create_task(publish_mqtt(live, store, wanted))
            await until(lambda: there.topics[TOPICS.alarms] >= 30 or there.connections > 1)
            await until(lambda: live.sinks["mqtt"].waiting == 0 or there.connections > 1)
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)
            assert there.connections == 1, "it never had a reason to end one"
            assert there.largest <= 3
            assert there.topics[TOPICS.alarms] == 30, "each once"
            assert there.topics[TOPICS.status] == 2, "birth and farewell"


class Slow:
    """A client whose broker confirms one message each time that it is told to."""

    in_flight = 1

    def __init__(self) -> None:
        self.topics: list[str] = []
        self._confirmed, self._number = asyncio.Semaphore(0), 0

    async def publish(self, topic: str, *_: Any, **__: Any) -> None:
        self.topics.append(topic)
        await self._confirmed.acquire()

    async def confirm(self, upto: int) -> None:
        """Until so many messages have come; the last of them is not confirmed."""
        async with asyncio.timeout(60):
            while len(self.topics) < upto:
                if self._number < len(self.topics):
                    self._number += 1
                    self._confirmed.release()
                await asyncio.sleep(0.001)


async def test_what_changes_goes_before_what_is_only_told_again() -> None:
    client, live = Slow(), Live(HERE)
    shown(live, 0)
    told, sink = Sent(5.0), Sink("mqtt", live.sinks)
    retained = Retained(cast("Client", client), live, sink, TOPICS, told)
    task = asyncio.create_task(retained.publish(AtBroker()))
    await client.confirm(4)
    shown(live, 10)
    await client.confirm(5)
    assert client.topics[4:] == [TOPICS.loop("stair")], "all are told again"
    assert told.times[TOPICS.controller("a")] == START
    shown(live, 11, links={"a": LinkState("a", reason="no answer")})
    await client.confirm(8)
    assert client.topics[5:] == [
        TOPICS.controller("a"), TOPICS.transducer("p1"), TOPICS.transducer("p2"),
    ]  # fmt: skip
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
