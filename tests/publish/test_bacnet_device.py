"""The device as an independent client sees it."""

from __future__ import annotations

import asyncio
import gc
from pathlib import Path
from typing import Any

import pytest
import rusty_bacnet as rusty

from gateway.errors import StartError
from gateway.live import Live
from gateway.publish.bacnet import publish_bacnet
from tests.publish.bacnet_packets import UNCONFIRMED, listening
from tests.publish.bacnet_site import (
    COMBINED,
    DEVICE,
    FEEDBACK,
    OUTPUT,
    P1,
    P2,
    SETPOINT,
    Hand,
    everything,
    free_udp_port,
    front_end,
    high_alarm,
    input_id,
    opened,
    plain,
    plant,
    running,
    wire_alarm,
)
from tests.publish.made import options, until

pytestmark = pytest.mark.server

Property = rusty.PropertyIdentifier
DEVICE_ID = rusty.ObjectIdentifier(rusty.ObjectType.DEVICE, DEVICE)
CLASS_ID = rusty.ObjectIdentifier(rusty.ObjectType.NOTIFICATION_CLASS, 1)


async def test_the_device_answers_who_is(tmp_path: Path) -> None:
    async with running(tmp_path) as device, front_end() as client:
        await client.who_is_directed(device.to, DEVICE + 1, DEVICE + 9)
        await client.who_is_directed(device.to, DEVICE, DEVICE)
        async with asyncio.timeout(60):
            while (found := await client.get_device(DEVICE)) is None:  # noqa: ASYNC110 - a packet
                await asyncio.sleep(0.02)
        assert found.vendor_id == 999
        assert [one.object_identifier.instance for one in await client.discovered_devices()] == [
            DEVICE
        ]


async def test_broadcasts_are_heard_with_a_prefix(tmp_path: Path) -> None:
    # Who-Is and Who-Has from anybody, sent to the broadcast address of loopback.
    who_is = bytes([UNCONFIRMED << 4, 8])
    name = b"\x00p2 pressure"
    who_has = bytes([UNCONFIRMED << 4, 7, 0x3D, len(name)]) + name
    async with listening() as anybody, running(tmp_path, bacnet_address="127.0.0.1/8") as device:
        for request in (who_is, who_has):
            anybody.send(request, ("127.255.255.255", device.port), broadcast=True)
        await until(lambda: len(anybody.packets) == 2)
        i_am, i_have = anybody.packets
        assert (i_am.service, i_am.body[0].object_id) == (0, (8, DEVICE))
        assert (i_have.service, i_have.body[1].object_id) == (1, (0, P2))
        assert i_have.body[2].text == "p2 pressure"


async def test_every_property_of_a_transducer(tmp_path: Path) -> None:
    async with running(tmp_path) as device, front_end() as client:
        p1 = await everything(client, device.to, input_id(P1))
        p2 = await everything(client, device.to, input_id(P2))
    never = ((255,) * 4, (255,) * 4)
    assert p1 == {
        "OBJECT_IDENTIFIER": input_id(P1), "OBJECT_NAME": "p1 pressure", "OBJECT_TYPE": 0,
        "DESCRIPTION": "Stair B, level 3; high: stair; low: corridor",
        "PRESENT_VALUE": pytest.approx(37.5), "UNITS": 53, "RELIABILITY": 0,
        "STATUS_FLAGS": (0, 0, 0, 0), "EVENT_STATE": 0, "OUT_OF_SERVICE": False,
        "COV_INCREMENT": pytest.approx(0.62), "MIN_PRES_VALUE": -25, "MAX_PRES_VALUE": 100,
        "LOW_LIMIT": -25, "HIGH_LIMIT": 100, "LIMIT_ENABLE": (0, 0), "DEADBAND": 0,
        "TIME_DELAY": 0, "NOTIFICATION_CLASS": 1, "NOTIFY_TYPE": 0,
        "EVENT_ENABLE": (0, 1, 1), "ACKED_TRANSITIONS": (1, 1, 1),
        "EVENT_TIME_STAMPS": [never] * 3, "EVENT_MESSAGE_TEXTS": [""] * 3,
        "EVENT_DETECTION_ENABLE": True,
    }  # fmt: skip
    assert (p2["UNITS"], p2["PRESENT_VALUE"]) == (58, pytest.approx(0.5))
    assert "conventional inch" in p2["DESCRIPTION"]


async def test_every_property_of_a_loop(tmp_path: Path) -> None:
    async with running(tmp_path) as device, front_end() as client:
        found = [
            await everything(client, device.to, input_id(k))
            for k in (COMBINED, FEEDBACK, SETPOINT, OUTPUT)
        ]
    combined, feedback, _, output = found
    assert [one["OBJECT_NAME"] for one in found] == [
        "stair combined pressure", "stair reported feedback", "stair set point", "stair output",
    ]  # fmt: skip
    assert [one["UNITS"] for one in found] == [53, 53, 53, 27]
    expected = {
        "LOW_LIMIT": 10, "HIGH_LIMIT": 90, "LIMIT_ENABLE": (1, 1), "DEADBAND": 2.5,
        "TIME_DELAY": 15, "EVENT_ENABLE": (1, 1, 1),
    }  # fmt: skip
    assert expected.items() <= combined.items(), "a delay of 14.2 s is never told shorter"
    assert not any(key.startswith(("EVENT_EN", "ACKED", "NOTIF")) for key in feedback | output)
    assert combined["DESCRIPTION"] == "Stair B pressurization: average of p1, p2"


async def test_property_lists_are_those_of_the_standard(tmp_path: Path) -> None:
    # ASHRAE 135, 12.1.1.4.1: object identifier, name, type and the list itself are not in it.
    port = rusty.ObjectIdentifier(rusty.ObjectType.NETWORK_PORT, 1)
    unlisted = {"OBJECT_IDENTIFIER", "OBJECT_NAME", "OBJECT_TYPE"}
    async with running(tmp_path) as device, front_end() as client:
        for one in (DEVICE_ID, CLASS_ID, port, input_id(P1), input_id(SETPOINT)):
            listed = await client.read_property(device.to, one, Property.PROPERTY_LIST)
            names = {repr(Property.from_raw(k)).rpartition(".")[2] for k in plain(listed)}
            assert names == set(await everything(client, device.to, one)) - unlisted


async def test_who_does_not_know_the_number_of_the_device_may_ask_for_any(tmp_path: Path) -> None:
    anyone = rusty.ObjectIdentifier(rusty.ObjectType.DEVICE, 4194303)
    async with running(tmp_path) as device, front_end() as client:
        told = await client.read_property(device.to, anyone, Property.OBJECT_IDENTIFIER)
        assert plain(told) == DEVICE_ID
        assert (await everything(client, device.to, anyone))["OBJECT_IDENTIFIER"] == DEVICE_ID


async def test_the_device_and_its_notification_class(tmp_path: Path) -> None:
    recipients = "127.0.0.1:50001, 127.0.0.9:50002"
    async with (
        running(tmp_path, bacnet_recipients=recipients, bacnet_name="witness 1") as device,
        front_end() as client,
    ):
        found = await everything(client, device.to, DEVICE_ID)
        notified = await everything(client, device.to, CLASS_ID)
        port = rusty.ObjectIdentifier(rusty.ObjectType.NETWORK_PORT, 1)
        assert (await everything(client, device.to, port))["BACNET_IP_UDP_PORT"] == device.port
    assert found["OBJECT_NAME"] == "witness 1"
    assert found["OBJECT_LIST"] == [
        DEVICE_ID, CLASS_ID, port, *(input_id(k) for k in range(1, 7))
    ]  # fmt: skip
    # Numbers of services and object types: ASHRAE 135, from memory.
    services = {k for k, bit in enumerate(found["PROTOCOL_SERVICES_SUPPORTED"]) if bit}
    assert services == {0, 5, 12, 14, 15, 16, 33, 34, 35, 39}
    types = {k for k, bit in enumerate(found["PROTOCOL_OBJECT_TYPES_SUPPORTED"]) if bit}
    assert types == {0, 8, 15, 56}
    assert found["UTC_OFFSET"] == 0
    assert notified["ACK_REQUIRED"] == (1, 1, 0)
    addresses = [one["recipient"]["mac_address"] for one in notified["RECIPIENT_LIST"]]
    assert addresses == [bytes([127, 0, 0, 1, 0xC3, 0x51]), bytes([127, 0, 0, 9, 0xC3, 0x52])]


async def test_reliability_and_flags_of_a_broken_wire(tmp_path: Path) -> None:
    async with running(tmp_path) as device, front_end() as client:
        device.hand.alarms = [wire_alarm(), high_alarm()]
        await device.show(50.0, opened())
        p1 = await everything(client, device.to, input_id(P1))
        combined = await everything(client, device.to, input_id(COMBINED))
    assert (p1["RELIABILITY"], p1["STATUS_FLAGS"], p1["EVENT_STATE"]) == (4, (1, 1, 0, 0), 1)
    assert p1["ACKED_TRANSITIONS"] == (1, 0, 1)
    assert "Open circuit at p1" in p1["EVENT_MESSAGE_TEXTS"][1]
    assert combined["RELIABILITY"] == 7
    assert (combined["EVENT_STATE"], combined["STATUS_FLAGS"]) == (3, (1, 1, 0, 0))


async def denied(call: Any) -> tuple[int, int]:
    with pytest.raises(rusty.BacnetProtocolError) as caught:
        await call
    return caught.value.error_class, caught.value.error_code


# Error classes and codes: ASHRAE 135, from memory. Property is 2, write access denied 40, unknown
# property 32; object is 1, unknown object 31. Rejected as an unrecognized service: 9.
@pytest.mark.parametrize("name", ["PRESENT_VALUE", "OUT_OF_SERVICE", "HIGH_LIMIT", "OBJECT_NAME"])
async def test_nothing_of_an_input_can_be_written(tmp_path: Path, name: str) -> None:
    async with running(tmp_path) as device, front_end() as client:
        value, wanted = rusty.PropertyValue.real(1.0), getattr(Property, name)
        before = await everything(client, device.to, input_id(COMBINED))
        target = input_id(COMBINED)
        assert await denied(client.write_property(device.to, target, wanted, value)) == (2, 40)
        specs: Any = [(target, [(wanted, value, None, None)])]
        assert await denied(client.write_property_multiple(device.to, specs)) == (2, 40)
        assert await everything(client, device.to, target) == before


async def test_nothing_else_can_be_changed(tmp_path: Path) -> None:
    async with running(tmp_path) as device, front_end() as client:
        to, one, text = device.to, input_id(P1), rusty.PropertyValue.character_string("x")
        write = client.write_property
        assert await denied(write(to, DEVICE_ID, Property.OBJECT_NAME, text)) == (2, 40)
        assert await denied(write(to, CLASS_ID, Property.RECIPIENT_LIST, text)) == (2, 40)
        assert await denied(write(to, one, Property.WEEKLY_SCHEDULE, text)) == (2, 32)
        assert await denied(write(to, input_id(99), Property.DESCRIPTION, text)) == (1, 31)
        for call in (
            client.create_object(to, rusty.ObjectType.ANALOG_INPUT),
            client.delete_object(to, one),
            client.device_communication_control(to, rusty.EnableDisable.DISABLE),
            client.reinitialize_device(to, rusty.ReinitializedState.COLDSTART),
            client.add_list_element(to, CLASS_ID, Property.RECIPIENT_LIST, b"\x00"),
        ):
            with pytest.raises(rusty.BacnetRejectError) as caught:
                await call
            assert caught.value.reason == 9
        assert (await everything(client, to, DEVICE_ID))["SYSTEM_STATUS"] == 0


async def test_unknown_objects_and_properties_are_told(tmp_path: Path) -> None:
    async with running(tmp_path) as device, front_end() as client:
        read = client.read_property
        assert await denied(read(device.to, input_id(7), Property.PRESENT_VALUE)) == (1, 31)
        assert await denied(read(device.to, input_id(P1), Property.PRIORITY_ARRAY)) == (2, 32)


async def test_numbers_stay_through_restarts_and_edits(tmp_path: Path) -> None:
    async def names(device: Any, client: rusty.BACnetClient) -> dict[int, str]:
        found = await everything(client, device.to, DEVICE_ID)
        inputs = [k for k in found["OBJECT_LIST"] if k.object_type == rusty.ObjectType.ANALOG_INPUT]
        read = [await client.read_property(device.to, k, Property.OBJECT_NAME) for k in inputs]
        revision[:] = [*revision, found["DATABASE_REVISION"]]
        return {k.instance: str(v.value) for k, v in zip(inputs, read, strict=True)}

    revision: list[int] = []
    async with front_end() as client:
        async with running(tmp_path) as device:
            first = await names(device, client)
        async with running(tmp_path) as device:
            assert await names(device, client) == first
        async with running(tmp_path, plant(more=2)) as device:
            more = await names(device, client)
        assert first.items() <= more.items()
        assert {more[7], more[8]} == {"more-0 pressure", "more-1 pressure"}
        async with running(tmp_path) as device:
            assert await names(device, client) == first
    assert revision == [1, 1, 2, 3]


async def test_a_port_in_use_is_told(tmp_path: Path) -> None:
    async with running(tmp_path) as device:
        with pytest.raises(StartError, match=f"UDP port {device.port} on 127.0.0.1 is in use"):
            async with running(tmp_path / "other", bacnet_port=device.port):
                pass
    async with running(tmp_path, bacnet_port=device.port):
        pass  # it was closed


async def test_a_foreign_address_is_told(tmp_path: Path) -> None:
    # 192.0.2.0/24 is for documents and on no machine (RFC 5737).
    with pytest.raises(StartError, match=r"192\.0\.2\.7 is of no network card"):
        async with running(tmp_path, bacnet_address="192.0.2.7/24"):
            pass


async def test_the_own_port_is_no_recipient(tmp_path: Path) -> None:
    port = free_udp_port()
    with pytest.raises(StartError, match="own port"):
        async with running(tmp_path, bacnet_port=port, bacnet_recipients=f"127.0.0.5:{port}"):
            pass


async def test_a_device_without_snapshots_answers_and_ends(tmp_path: Path) -> None:
    port = free_udp_port()
    settings = options(state_dir=tmp_path, bacnet_port=port, bacnet_device_instance=DEVICE)
    live = Live(plant())
    task = asyncio.create_task(publish_bacnet(live, Hand(), settings))
    await asyncio.sleep(0)
    await until(lambda: live.sinks["bacnet"].connected)
    async with front_end() as client:
        p1 = await everything(client, f"127.0.0.1:{port}", input_id(P1))
    assert (p1["RELIABILITY"], p1["STATUS_FLAGS"], p1["EVENT_STATE"]) == (12, (0, 1, 0, 0), 0)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task


@pytest.mark.parametrize("turns", range(6))
async def test_stopped_while_it_gets_its_port_it_leaves_nothing_in_the_log(
    tmp_path: Path, turns: int
) -> None:
    # As when the page's own port is in use: that alone is what people should read then.
    loop, told = asyncio.get_running_loop(), list[Any]()
    settings = options(
        state_dir=tmp_path, bacnet_port=free_udp_port(), bacnet_device_instance=DEVICE
    )
    usual = loop.get_exception_handler()
    loop.set_exception_handler(lambda _loop, context: told.append(context))
    try:
        task = asyncio.create_task(publish_bacnet(Live(plant()), Hand(), settings))
        for _ in range(turns):
            await asyncio.sleep(0)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        del task
        gc.collect()
        await asyncio.sleep(0)
    finally:
        loop.set_exception_handler(usual)
    assert not told
