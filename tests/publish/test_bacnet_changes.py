"""Subscribers are told of changes: of the value, and of the flags alone."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from functools import partial
from pathlib import Path
from typing import Any

import pytest
import rusty_bacnet as rusty

from gateway.publish import bacnet_changes
from tests.publish.bacnet_packets import CONFIRMED, UNCONFIRMED, Listener, Packet, listening
from tests.publish.bacnet_site import (
    DEVICE,
    FEEDBACK,
    P1,
    P2,
    everything,
    front_end,
    input_id,
    opened,
    plain,
    running,
)
from tests.publish.made import until

pytestmark = pytest.mark.server

GOOD, FAULTY = (0, 0, 0, 0), (0, 1, 0, 0)
DEVICE_ID = rusty.ObjectIdentifier(rusty.ObjectType.DEVICE, DEVICE)
Change = tuple[int, Any, tuple[int, ...]]


@asynccontextmanager
async def changes(client: rusty.BACnetClient) -> AsyncIterator[list[Change]]:
    """What arrives at the client, as it comes: instance, value, flags."""
    found: list[Change] = []
    iterator = await client.cov_notifications()

    async def read() -> None:
        async for one in iterator:
            value, flags = (plain(entry["value"]) for entry in one.values)
            found.append((one.monitored_object_identifier.instance, value, flags))

    task = asyncio.create_task(read())
    try:
        yield found
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


async def arrived(found: list[Change], count: int) -> list[Change]:
    await until(lambda: len(found) >= count, 60)
    assert len(found) == count, found
    return found


@pytest.mark.parametrize("confirmed", [True, False])
async def test_a_change_of_the_value_is_told_from_the_increment_on(
    tmp_path: Path, *, confirmed: bool
) -> None:
    async with running(tmp_path) as device, front_end() as client, changes(client) as found:
        await client.subscribe_cov(device.to, 9, input_id(P1), confirmed, 300)
        await arrived(found, 1)
        await device.show(50.2)  # 0.25 Pa: less than the increment of 0.62 Pa
        await device.show(52.0)
        _, second = await arrived(found, 2)
        assert second == (P1, pytest.approx(40.0), GOOD)


@pytest.mark.parametrize("confirmed", [True, False])
async def test_a_change_of_flags_or_reliability_alone_is_told(
    tmp_path: Path, *, confirmed: bool
) -> None:
    async with running(tmp_path) as device, front_end() as client, changes(client) as found:
        await client.subscribe_cov(device.to, 9, input_id(P1), confirmed, None)
        await arrived(found, 1)
        await device.show(50.0, opened())
        await arrived(found, 2)
        await device.show(50.0, opened())
        await device.show(50.0, opened(fault="short-circuit"))
        await arrived(found, 3)
        await device.show(50.0)
        await arrived(found, 4)
    in_alarm = (1, 1, 0, 0)
    value = pytest.approx(37.5)
    assert found == [(P1, value, flags) for flags in (GOOD, in_alarm, in_alarm, GOOD)]


async def test_inputs_without_events_tell_changes_too(tmp_path: Path) -> None:
    async with running(tmp_path) as device, front_end() as client, changes(client) as found:
        for instance in (P2, FEEDBACK):
            await client.subscribe_cov(device.to, 9, input_id(instance), True, 300)  # noqa: FBT003
        await arrived(found, 2)
        await device.show(60.0)
        *_, last = await arrived(found, 3)
        assert last == (P2, pytest.approx(0.6), GOOD)


async def test_what_is_subscribed_to_is_listed_and_can_be_ended(tmp_path: Path) -> None:
    async with running(tmp_path) as device, front_end() as client, changes(client) as found:
        await client.subscribe_cov(device.to, 9, input_id(P1), True, 300)  # noqa: FBT003
        await client.subscribe_cov(device.to, 9, input_id(P1), False, None)  # noqa: FBT003 - renewed
        await client.subscribe_cov(device.to, 10, input_id(P2), False, 200)  # noqa: FBT003
        await arrived(found, 3)
        listed = (await everything(client, device.to, DEVICE_ID))["ACTIVE_COV_SUBSCRIPTIONS"]
        assert [one["process_identifier"] for one in listed] == [9, 10]
        await client.unsubscribe_cov(device.to, 9, input_id(P1))
        await client.unsubscribe_cov(device.to, 9, input_id(99))  # ends nothing, is no error
        await device.show(70.0)
        *_, last = await arrived(found, 4)
        assert last[0] == P2


# Class object 1: unknown object 31, optional functionality not supported 45 (ASHRAE 135: read
# out of a BACnet library).
@pytest.mark.parametrize(("object_id", "error"), [(input_id(99), (1, 31)), (DEVICE_ID, (1, 45))])
async def test_not_everything_can_be_subscribed_to(
    tmp_path: Path, object_id: rusty.ObjectIdentifier, error: tuple[int, int]
) -> None:
    async with running(tmp_path) as device, front_end() as client:
        with pytest.raises(rusty.BacnetProtocolError) as caught:
            await client.subscribe_cov(device.to, 9, object_id, False, 300)  # noqa: FBT003
        assert (caught.value.error_class, caught.value.error_code) == error


def subscribe(*, confirmed: bool, process: int = 4) -> bytes:
    """SubscribeCOV to the first input, for ever."""
    body = bytes([0x09, process, 0x1C]) + P1.to_bytes(4, "big")
    return bytes([0, 0x75, 1, 5]) + body + bytes([0x29, int(confirmed), 0x39, 0])


def told(listener: Listener, kind: int) -> list[Packet]:
    """Notifications of changes: confirmed service 1, unconfirmed 2."""
    return [p for p in listener.packets if p.kind == kind and p.service == kind + 1]


def value_of(packet: Packet) -> float:
    listed: Any = packet.body[4]
    return float(listed.inner[1].inner[0].real)


def more_than(count: int, listener: Listener) -> bool:
    return len(told(listener, CONFIRMED)) > count


async def test_a_subscriber_that_is_away_misses_only_what_is_old(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bacnet_changes, "LOST", 1000)  # on a slow machine it is away for longer
    async with (
        running(tmp_path, answer_ms=100) as device,
        listening() as away,
        listening() as there,
    ):
        for listener in (away, there):
            await listener.ask(subscribe(confirmed=True), device.pair)
        await until(lambda: told(away, CONFIRMED) and told(there, CONFIRMED))
        away.answers = False
        for percent in (55.0, 60.0, 65.0):
            count = len(told(there, CONFIRMED))
            await device.show(percent)
            await until(partial(more_than, count, there))
        away.answers = True

        async def knows() -> bool:
            await device.show(65.0)
            return value_of(told(away, CONFIRMED)[-1]) == pytest.approx(56.25)

        async with asyncio.timeout(60):
            while not await knows():  # noqa: ASYNC110 - packets come in between
                await asyncio.sleep(0.02)
        assert len(told(away, CONFIRMED)) <= 3


async def test_a_subscriber_that_is_gone_is_forgotten(tmp_path: Path) -> None:
    async with (
        running(tmp_path, answer_ms=20) as device,
        listening() as gone,
        front_end() as client,
    ):
        gone.answers = False
        await gone.ask(subscribe(confirmed=True), device.pair)

        async def listed() -> int:
            found = await everything(client, device.to, DEVICE_ID)
            return len(found["ACTIVE_COV_SUBSCRIPTIONS"])

        assert await listed() == 1
        async with asyncio.timeout(60):
            while await listed():
                await device.show()
                await asyncio.sleep(0.02)


async def test_unconfirmed_needs_nobody(tmp_path: Path) -> None:
    async with running(tmp_path) as device, listening() as anybody:
        await anybody.ask(subscribe(confirmed=False), device.pair)
        await until(lambda: told(anybody, UNCONFIRMED))
        await device.show(55.0)
        await until(lambda: len(told(anybody, UNCONFIRMED)) >= 2)
        assert len(told(anybody, UNCONFIRMED)) == 2
        assert value_of(told(anybody, UNCONFIRMED)[-1]) == pytest.approx(43.75)
