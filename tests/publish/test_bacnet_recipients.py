"""Recipients that are away, slow, or another maker's device: over real sockets."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
import rusty_bacnet as rusty

from tests.publish.bacnet_packets import listening, told_to
from tests.publish.bacnet_site import (
    ANSWER_MS,
    COMBINED,
    P1,
    Running,
    free_udp_port,
    front_end,
    high_alarm,
    input_id,
    opened,
    running,
    wire_alarm,
)
from tests.publish.made import until

pytestmark = pytest.mark.server


async def test_a_silent_recipient_keeps_nobody_waiting(tmp_path: Path) -> None:
    async with (
        listening() as silent,
        listening() as recipient,
        running(
            tmp_path, bacnet_recipients=f"{silent.address},{recipient.address}", answer_ms=100
        ) as device,
    ):
        silent.answers = False
        device.hand.alarms = [wire_alarm()]
        await device.show(50.0, opened())
        await told_to(recipient, 1, again=True)
        state = await until(lambda: failing(device))
        assert silent.address in state.reason
        assert "does not confirm" in state.reason
        device.hand.alarms = [wire_alarm(active=False)]
        await device.show()
        await told_to(recipient, 2, again=True)
        await until(lambda: device.live.sinks["bacnet"].waiting == 2)
        silent.answers = True
        missed = await told_to(silent, 2, again=True)
        assert [one.to_state for one in missed] == [1, 0], "fault, then normal"
        await until(lambda: device.live.sinks["bacnet"].waiting == 0)
        assert device.live.sinks["bacnet"].connected
        assert device.live.sinks["bacnet"].sent == 4


def failing(device: Running) -> Any:
    state = device.live.sinks["bacnet"]
    return None if state.connected else state


@pytest.mark.alone
async def test_stopping_does_not_wait_for_a_silent_recipient(tmp_path: Path) -> None:
    async with listening() as silent:
        silent.answers = False
        async with running(tmp_path, bacnet_recipients=silent.address) as device:
            await device.show(50.0, opened())
            begun = time.monotonic()
        assert time.monotonic() - begun < ANSWER_MS / 1000 / 2


@asynccontextmanager
async def head_end() -> AsyncIterator[str]:
    """Another maker's device on loopback, which logs the events it is told; its address."""
    port = free_udp_port()
    server = rusty.BACnetServer(
        77, "head end", interface="127.0.0.1", port=port, broadcast_address="127.255.255.255"
    )
    server.add_event_log(1, "events", 50, log_received_notifications=True)
    await server.start()
    yield f"127.0.0.1:{port}"
    await server.stop()


async def logged(client: rusty.BACnetClient, to: str, count: int) -> list[dict[str, Any]]:
    """So many event notifications in the log of the head end, as it read them."""
    log = rusty.ObjectIdentifier(rusty.ObjectType.EVENT_LOG, 1)
    async with asyncio.timeout(60):
        while True:
            page: Any = await client.read_log_page(to, log)
            data = [one["datum"] for one in page["records"]]
            found = [one["notification"] for one in data if one["kind"] == "notification"]
            if len(found) >= count:
                return found
            await asyncio.sleep(0.05)


async def test_an_independent_device_reads_our_notifications(tmp_path: Path) -> None:
    async with (
        head_end() as there,
        running(tmp_path, bacnet_recipients=there) as device,
        front_end() as client,
    ):
        device.hand.alarms = [wire_alarm(), high_alarm()]
        await device.show(50.0, opened())
        fault, high = await logged(client, there, 2)
        device.hand.alarms = [wire_alarm(), high_alarm(acknowledged=True)]
        await device.show(50.0, opened())
        *_, acknowledged = await logged(client, there, 3)
        assert device.live.sinks["bacnet"].connected
    assert fault["event_object_identifier"] == input_id(P1)
    assert (fault["notify_type"], fault["to_state"]) == (0, rusty.EventState.FAULT)
    assert fault["event_type"] == rusty.EventType.CHANGE_OF_RELIABILITY
    # START in UTC, a Thursday.
    assert fault["timestamp"].value == ((2026, 5, 28, 4), (20, 30, 0, 0))
    assert high["event_object_identifier"] == input_id(COMBINED)
    assert (high["notify_type"], high["to_state"]) == (0, rusty.EventState.HIGH_LIMIT)
    assert high["event_type"] == rusty.EventType.OUT_OF_RANGE
    assert high["message_text"].endswith("Pressure above 90 Pa (high priority)")
    assert (acknowledged["notify_type"], acknowledged["to_state"]) == (2, high["to_state"])
