"""Events that a broker never takes: set aside and told; those it may take later do not hold up."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from gateway.errors import StoreError
from gateway.live import Live
from gateway.publish import events, mqtt, sizes
from gateway.publish.broker import MessageRefusedError
from gateway.publish.leftovers import AtBroker
from gateway.publish.mqtt import publish_mqtt
from gateway.publish.sink import Sink
from gateway.publish.sizes import BREAKS, FORGOTTEN_S, Sizes
from gateway.publish.topics import Topics
from gateway.record import outbox, poison
from gateway.record.store import Store, open_store
from tests.publish.made import START, finding, free_port, options, plant, shown, until
from tests.publish.servers import Broker

HERE = plant()


class Steady:
    def __init__(self) -> None:
        self.now = 0.0

    def __call__(self) -> float:
        return self.now

    def wait(self, seconds: float) -> None:
        self.now += seconds


def fly(there: Sizes, *numbers: int, after: Callable[[], None] = lambda: None) -> None:
    """A connection that ends with these on their way."""
    there.connected(None)
    for size in numbers:
        with pytest.raises(ConnectionError), there.sending(size):
            raise ConnectionError
    after()
    there.broke()


def test_what_the_broker_tells_is_kept_to() -> None:
    there = Sizes()
    there.connected(2000)
    assert there.refusal(1900) == ""
    assert "at most 2000" in there.refusal(1990)
    there.connected(None)
    assert there.refusal(10**6) == ""


def test_a_size_over_which_connections_end_is_learnt_and_forgotten() -> None:
    steady = Steady()
    there = Sizes(steady)
    there.connected(None)
    with there.sending(800):
        pass
    for _ in range(BREAKS):
        assert there.refusal(5000) == ""
        fly(there, 700, 5000, 3000)
    assert "ends the connection" in there.refusal(5000)
    assert there.refusal(3000) == "", "the largest is suspected first"
    steady.now = FORGOTTEN_S
    assert there.refusal(5000) == ""


def test_a_bad_network_teaches_nothing() -> None:
    steady = Steady()
    there = Sizes(steady)
    there.connected(None)
    with there.sending(800):
        pass
    for _ in range(20):
        fly(there, 700, 800)
    assert there.refusal(800) == "", "such messages were taken before"
    for k in range(20):
        fly(there, 1100)
        if k % 3 == 2:
            there.connected(None)
            there.broke()  # no connection at all: the broker is away
    assert there.refusal(1100) == ""
    for _ in range(20):
        fly(there, 1100, after=lambda: steady.wait(sizes.SOON_S + 1))
    assert there.refusal(1100) == ""


def test_a_broker_that_ends_connections_over_a_greeting_wants_no_shorter_ones() -> None:
    there = Sizes(Steady())
    for _ in range(20):
        fly(there, 87, 400)
    assert there.refusal(87) == ""
    assert there.refusal(5000) == ""


@pytest.fixture
def store(tmp_path: Path) -> Any:
    with open_store(tmp_path / "history", HERE) as opened:
        yield opened


@asynccontextmanager
async def narrow_broker(folder: Path, limit: str) -> AsyncIterator[Broker]:
    there = Broker(folder, free_port())
    lines = (f"listener {there.port} 127.0.0.1", "allow_anonymous true", limit, "user root", "")
    folder.joinpath("broker.conf").write_text("\n".join(lines))
    await there.start()
    try:
        yield there
    finally:
        there.kill()


@asynccontextmanager
async def publishing(store: Store, broker: Broker, **more: Any) -> AsyncIterator[Live]:
    live = Live(HERE)
    shown(live, 0)
    wanted = options(mqtt_host="127.0.0.1", mqtt_port=broker.port, **more)
    task = asyncio.create_task(publish_mqtt(live, store, wanted))
    try:
        yield live
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


@pytest.mark.server
@pytest.mark.parametrize(
    ("limit", "protocol"),
    [
        ("max_packet_size 6000", "5"),
        ("max_packet_size 6000", "3.1.1"),
        ("message_size_limit 6000", "5"),
    ],
)
async def test_an_event_that_is_too_large_is_set_aside(
    tmp_path: Path, store: Store, monkeypatch: pytest.MonkeyPatch, limit: str, protocol: str
) -> None:
    """This broker tells its limit, or ends the connection each time: the others get through."""
    monkeypatch.setattr(mqtt, "delays", lambda: iter([0.05] * 1000))
    many = [finding(f"p{k}", since=START + k, time=START + k) for k in range(20)]
    many[7] = replace(many[7], consequence="so much that nobody reads it " * 400)
    store.write([], many)
    async with (
        narrow_broker(tmp_path, limit) as broker,
        broker.subscribed("loopwitness/test/events/#") as got,
    ):

        def subjects() -> set[str]:
            return {one["payload"]["subject"] for one in list(got)}

        async with publishing(store, broker, mqtt_protocol=protocol) as live:
            await until(lambda: store.do(outbox.waiting) == 0)
            await until(lambda: "1 events set aside" in live.sinks["mqtt"].reason)
            await until(lambda: live.sinks["mqtt"].connected)
            await until(lambda: len(subjects()) >= 19)
        assert subjects() == {f"p{k}" for k in range(20)} - {"p7"}
    assert store.do(poison.count, "mqtt") == 1
    ((record, reason),) = store.do(
        lambda c: c.execute("SELECT record, reason FROM poison").fetchall()
    )
    assert "so much that nobody reads it" in record
    assert "bytes" in reason


class Stub:
    """Takes what it is given, but for what is refused."""

    def __init__(self, refuses: Callable[[str], bool], *, faulty: bool = False) -> None:
        self.refuses, self.faulty = refuses, faulty
        self.taken: list[str] = []

    async def publish(self, _topic: str, payload: str, *_: Any) -> None:
        await asyncio.sleep(0)
        if self.refuses(payload):
            raise MessageRefusedError("Not authorized", faulty=self.faulty)
        self.taken.append(payload)


@pytest.mark.slow
async def test_refused_events_do_not_hold_up_the_others(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """More than fit on their way at once; they go when the broker has changed its mind."""
    monkeypatch.setattr(events, "PAUSE_S", 0.2)
    many = [finding(f"{'bad' if k < 150 else 'good'}{k}", since=START + k) for k in range(200)]
    store.write([], many)
    live, topics = Live(HERE), Topics("loopwitness", "test")
    shown(live, 0)
    sink = Sink("mqtt", live.sinks)
    stub = Stub(lambda payload: '"bad' in payload)
    client: Any = stub
    work = events.Events(client, live, store, sink, topics)
    task = asyncio.create_task(work.publish(AtBroker()))
    await until(lambda: len(stub.taken) == 50)
    await until(lambda: "events wait: the broker refuses" in live.sinks["mqtt"].reason)
    await until(lambda: store.do(outbox.waiting) == 150)
    stub.refuses = lambda _: False
    await until(lambda: store.do(outbox.waiting) == 0)
    assert len(stub.taken) == 200
    bad = [payload for payload in stub.taken if '"bad' in payload]
    assert [f'"bad{k}"' in payload for k, payload in enumerate(bad)] == [True] * 150, "in order"
    await until(lambda: "events wait" not in live.sinks["mqtt"].reason)
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)


async def test_an_event_that_cannot_be_set_aside_ends_nothing(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The disk is full just when the broker wants an event never again: both are told."""
    monkeypatch.setattr(events, "PAUSE_S", 0.01)
    monkeypatch.setattr(events, "LOOK_S", 0.01)
    store.write([], [finding("bad", since=START), finding("good", since=START + 1)])
    live, full, add = Live(HERE), [True], poison.add
    shown(live, 0)

    def onto_disk(connection: Any, name: str, refused: Any) -> None:
        if full:
            raise StoreError("history: database or disk is full")
        add(connection, name, refused)

    monkeypatch.setattr(poison, "add", onto_disk)
    stub = Stub(lambda payload: '"bad' in payload, faulty=True)
    client: Any = stub
    work = events.Events(client, live, store, Sink("mqtt", live.sinks), Topics("lw", "test"))
    task = asyncio.create_task(work.publish(AtBroker()))
    await until(lambda: task.done() or "disk is full" in live.sinks["mqtt"].reason)
    assert not task.done()
    assert (len(stub.taken), store.do(outbox.waiting)) == (1, 1)
    full.clear()
    await until(lambda: store.do(outbox.waiting) == 0)
    assert store.do(poison.count, "mqtt") == 1
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
