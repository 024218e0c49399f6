"""Brokers that are not there, say nothing, or say no: noticed, shown, nothing left behind."""

from __future__ import annotations

import asyncio
import gc
from collections.abc import Iterator
from pathlib import Path

import pytest

from gateway.live import Live
from gateway.publish import broker, mqtt
from gateway.publish.mqtt import publish_mqtt
from gateway.publish.sizes import BREAKS
from gateway.record.store import Store, open_store
from tests.publish.made import finding, free_port, options, plant, shown, until
from tests.pulse import pulse

pytestmark = pytest.mark.slow

HERE = plant()


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(tmp_path, HERE) as opened:
        yield opened


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(broker, "TIMEOUT_S", 0.5)
    monkeypatch.setattr(broker, "FAREWELL_S", 0.1)
    monkeypatch.setattr(mqtt, "delays", lambda: iter([0.05] * 1000))


async def stop(task: asyncio.Task[None]) -> float:
    """Cancel and wait; how long it took. Nothing may be left running."""
    with pulse() as passed:
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        took = passed()
    await asyncio.sleep(0.01)
    assert asyncio.all_tasks() == {asyncio.current_task()}
    gc.collect()  # a socket left open warns now
    return took


async def test_a_broker_that_greets_and_then_hangs_is_not_taken_for_a_narrow_one(
    store: Store,
) -> None:
    """Else its events would be set aside for an hour after it has come to itself."""
    greeted = 0

    async def greeting(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal greeted
        await reader.read(1000)
        writer.write(bytes([0x20, 3, 0, 0, 0]))  # CONNACK
        greeted += 1
        while await reader.read(1000):
            pass
        writer.close()

    live = Live(HERE)
    shown(live, 0)
    server = await asyncio.start_server(greeting, "127.0.0.1", 0)
    wanted = options(mqtt_host="127.0.0.1", mqtt_port=server.sockets[0].getsockname()[1])
    task = asyncio.create_task(publish_mqtt(live, store, wanted))
    said = set()
    while greeted < BREAKS + 3:
        await asyncio.sleep(0.05)
        said.add(live.sinks["mqtt"].reason)
    assert "Operation timed out" in said
    assert not [one for one in said if "ends the connection" in one]
    await stop(task)
    server.close()


async def test_silent_broker_blocks_nothing_and_is_noticed(store: Store) -> None:
    ended = 0

    async def silent(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal ended
        while await reader.read(1000):
            pass
        ended += 1
        writer.close()

    live = Live(HERE)
    shown(live, 0)
    async with await asyncio.start_server(silent, "127.0.0.1", 0) as server:
        port = server.sockets[0].getsockname()[1]
        task = asyncio.create_task(
            publish_mqtt(live, store, options(mqtt_host="127.0.0.1", mqtt_port=port))
        )
        with pulse() as passed:
            longest, last = 0.0, passed()
            while live.sinks.get("mqtt") is None or live.sinks["mqtt"].failures < 2:
                await asyncio.sleep(0.01)
                longest, last = max(longest, passed() - last), passed()
        assert longest < 0.4, "the event loop was never held up"
        assert f"127.0.0.1:{port}: Operation timed out" in live.sinks["mqtt"].reason
        assert await stop(task) < 2.0
        await until(lambda: ended >= 2)


async def test_no_broker(store: Store) -> None:
    live = Live(HERE)
    task = asyncio.create_task(
        publish_mqtt(live, store, options(mqtt_host="127.0.0.1", mqtt_port=free_port()))
    )
    await until(lambda: "mqtt" in live.sinks and live.sinks["mqtt"].failures > 2)
    assert "refused" in live.sinks["mqtt"].reason.lower()
    store.write([], [finding()])
    # Interface, page and /metrics show what waits just while nobody takes it.
    await until(lambda: live.sinks["mqtt"].waiting == 1)
    await stop(task)


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
async def test_broker_that_says_no(store: Store, protocol: str) -> None:
    """CONNACK with "not authorized" (MQTT 5: 0x87; MQTT 3.1.1: 5), OASIS MQTT section 3.2.2."""
    answer = b"\x20\x03\x00\x87\x00" if protocol == "5" else b"\x20\x02\x00\x05"

    async def refuse(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(1000)
        writer.write(answer)
        await reader.read(1000)
        writer.close()

    live = Live(HERE)
    async with await asyncio.start_server(refuse, "127.0.0.1", 0) as server:
        settings = options(
            mqtt_host="127.0.0.1",
            mqtt_port=server.sockets[0].getsockname()[1],
            mqtt_protocol=protocol,
            mqtt_username="gateway",
            mqtt_password="hunter-green",  # noqa: S106 - of this test only
        )
        task = asyncio.create_task(publish_mqtt(live, store, settings))
        await until(lambda: "mqtt" in live.sinks and live.sinks["mqtt"].failures > 1)
        # On a slow machine a try may end before its answer has come.
        await until(lambda: "authorized" in live.sinks["mqtt"].reason.lower())
        assert "hunter-green" not in live.sinks["mqtt"].reason
        await stop(task)


@pytest.mark.parametrize("name", ["mqtt_ca_file", "mqtt_client_cert_file"])
async def test_certificate_that_is_not_there(store: Store, tmp_path: Path, name: str) -> None:
    live = Live(HERE)
    settings = options(
        mqtt_host="127.0.0.1", mqtt_port=free_port(), mqtt_tls=True, **{name: tmp_path / "no.pem"}
    )
    task = asyncio.create_task(publish_mqtt(live, store, settings))
    await until(lambda: "mqtt" in live.sinks and live.sinks["mqtt"].failures > 0)
    assert f"LOOPWITNESS_{name.upper()} " in live.sinks["mqtt"].reason
    assert "No such file" in live.sinks["mqtt"].reason
    await stop(task)


async def test_cancelled_while_connecting(store: Store) -> None:
    async def silent(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read()
        writer.close()

    live = Live(HERE)
    async with await asyncio.start_server(silent, "127.0.0.1", 0) as server:
        port = server.sockets[0].getsockname()[1]
        for pause in (0.0, 0.01, 0.05):
            task = asyncio.create_task(
                publish_mqtt(live, store, options(mqtt_host="127.0.0.1", mqtt_port=port))
            )
            await asyncio.sleep(pause)
            assert await stop(task) < 2.0
