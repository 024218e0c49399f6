"""Events that recipients are told, acknowledgements, and what is going on: over real sockets."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import rusty_bacnet as rusty

from gateway.errors import LoopwitnessError
from tests.publish.bacnet_packets import Stamp, Told, listening, summaries, told_to
from tests.publish.bacnet_site import (
    COMBINED,
    DEVICE,
    FEEDBACK,
    P1,
    P2,
    Running,
    everything,
    front_end,
    high_alarm,
    input_id,
    opened,
    plant,
    running,
    wire_alarm,
)
from tests.publish.made import START

pytestmark = pytest.mark.server

NORMAL, FAULT, HIGH = 0, 1, 3
BEGUN: Stamp = ((2026, 5, 28, 4), (20, 30, 0, 0))
"""START in UTC: a Thursday."""


@pytest.mark.parametrize("confirmed", [True, False])
async def test_a_broken_wire_is_told_at_once(tmp_path: Path, *, confirmed: bool) -> None:
    async with (
        listening() as recipient,
        running(
            tmp_path, bacnet_recipients=recipient.address, bacnet_confirmed=confirmed
        ) as device,
    ):
        device.hand.alarms = [wire_alarm()]
        await device.show(50.0, opened())
        (one,) = await told_to(recipient, 1)
        device.hand.alarms = [wire_alarm(active=False)]
        await device.show()
        _, back = await told_to(recipient, 2)
    assert one == Told(
        confirmed=confirmed, process=1, device=(8, DEVICE), object_id=(0, P1), stamp=BEGUN,
        notification_class=1, priority=130, event_type=19,
        text="p1 pressure: Open circuit at p1 (medium priority)", notify_type=0,
        ack_required=True, from_state=NORMAL, to_state=FAULT, values=one.values,
    )  # fmt: skip
    assert one.values is not None
    # Change of reliability (19): reliability, status flags, the present value.
    values = one.values[19]
    assert (values[0].unsigned, values[1].bits) == (4, (1, 1, 0, 0))
    prop, value = values[2].inner
    assert prop.unsigned == 85
    assert value.inner[0].real == pytest.approx(37.5)
    assert (back.from_state, back.to_state, back.event_type) == (FAULT, NORMAL, 19)
    assert (back.priority, back.ack_required) == (200, False)
    assert back.values is not None
    assert back.values[19][1].bits == (0, 0, 0, 0)


async def test_a_high_limit_is_told_when_the_machine_says_so(tmp_path: Path) -> None:
    async with (
        listening() as recipient,
        running(tmp_path, bacnet_recipients=recipient.address) as device,
    ):
        await device.show(100.0)
        device.hand.alarms = [high_alarm(since=START + 3)]
        await device.show(100.0)
        (one,) = await told_to(recipient, 1)
        device.hand.alarms = [high_alarm(since=START + 3, active=False)]
        await device.show(40.0)
        _, back = await told_to(recipient, 2)
    assert (one.instance, one.event_type, one.priority) == (COMBINED, 5, 100)
    assert (one.from_state, one.to_state, one.ack_required) == (NORMAL, HIGH, True)
    assert one.stamp == (BEGUN[0], (20, 30, 3, 0))
    assert one.values is not None
    # Out of range (5): exceeding value, status flags, deadband, exceeded limit.
    values = one.values[5]
    assert values[0].real == pytest.approx((100 + 249.08891) / 2, rel=1e-6)
    assert values[1].bits == (1, 0, 0, 0)
    assert (values[2].real, values[3].real) == (2.5, 90.0)
    assert (back.from_state, back.to_state, back.event_type) == (HIGH, NORMAL, 5)
    assert back.values is not None
    assert (back.values[5][1].bits, back.values[5][3].real) == ((0, 0, 0, 0), 90.0)


def given(stamp: Stamp) -> rusty.BACnetTimeStamp:
    date: Any = stamp[0]
    clock: Any = stamp[1]
    return rusty.BACnetTimeStamp.date_time(date, clock)


async def acknowledge(
    client: rusty.BACnetClient, device: Running, instance: int, state: str, stamp: Stamp
) -> None:
    await client.acknowledge_alarm_request(
        device.to, 5, input_id(instance), getattr(rusty.EventState, state), given(stamp),
        "desk 3", rusty.BACnetTimeStamp.date_time((2026, 5, 28, 4), (20, 31, 0, 0)),
    )  # fmt: skip


async def test_an_acknowledgement_reaches_the_machine_and_everyone(tmp_path: Path) -> None:
    async with (
        listening() as recipient,
        running(tmp_path, bacnet_recipients=recipient.address) as device,
        front_end() as client,
    ):
        device.hand.alarms = [wire_alarm()]
        await device.show(50.0, opened())
        (one,) = await told_to(recipient, 1)
        await acknowledge(client, device, P1, "FAULT", one.stamp)
        ((alarm, actor),) = device.hand.acknowledged
        assert alarm == "open-circuit:p1"
        assert actor.startswith("desk 3 (BACnet 127.0.0.1:")
        _, ack = await told_to(recipient, 2)
        assert (ack.notify_type, ack.instance, ack.to_state, ack.event_type) == (2, P1, FAULT, 19)
        assert (ack.from_state, ack.ack_required, ack.values) == (None, None, None)
        found = await everything(client, device.to, input_id(P1))
        assert found["ACKED_TRANSITIONS"] == (1, 1, 1)
        await acknowledge(client, device, P1, "FAULT", one.stamp)  # again: no error
        await device.show(50.0, opened())
        assert len(device.hand.acknowledged) == 1
        await told_to(recipient, 2)


async def test_an_acknowledgement_on_the_page_is_told(tmp_path: Path) -> None:
    async with (
        listening() as recipient,
        running(tmp_path, bacnet_recipients=recipient.address) as device,
    ):
        device.hand.alarms = [high_alarm()]
        await device.show(100.0)
        device.hand.alarms = [high_alarm(acknowledged=True)]
        await device.show(100.0)
        _, ack = await told_to(recipient, 2)
        assert (ack.notify_type, ack.instance, ack.to_state) == (2, COMBINED, HIGH)


async def test_a_limit_is_acknowledged_after_its_end(tmp_path: Path) -> None:
    async with running(tmp_path) as device, front_end() as client:
        device.hand.alarms = [high_alarm()]
        await device.show(100.0)
        device.hand.alarms = [high_alarm(active=False)]
        await device.show()
        await acknowledge(client, device, COMBINED, "HIGH_LIMIT", BEGUN)
        assert [one[0] for one in device.hand.acknowledged] == ["pressure-high:stair"]


# Error classes object 1, services 5; codes unknown object 31, no alarm configured 74, invalid
# time stamp 14, invalid event state 73 (ASHRAE 135: read out of a BACnet library).
@pytest.mark.parametrize(
    ("instance", "state", "stamp", "error"),
    [
        (99, "FAULT", BEGUN, (1, 31)),
        (FEEDBACK, "FAULT", BEGUN, (1, 74)),
        (P2, "FAULT", BEGUN, (5, 14)),
        (P1, "FAULT", (BEGUN[0], (20, 30, 0, 1)), (5, 14)),
        (P1, "FAULT", ((2026, 5, 29, 5), BEGUN[1]), (5, 14)),
        (P1, "HIGH_LIMIT", BEGUN, (5, 73)),
        (P1, "LIFE_SAFETY_ALARM", BEGUN, (5, 73)),
        (COMBINED, "LOW_LIMIT", BEGUN, (5, 73)),
    ],
)
async def test_a_wrong_acknowledgement_is_refused(
    tmp_path: Path, instance: int, state: str, stamp: Stamp, error: tuple[int, int]
) -> None:
    async with running(tmp_path) as device, front_end() as client:
        device.hand.alarms = [wire_alarm(), high_alarm()]
        await device.show(50.0, opened())
        with pytest.raises(rusty.BacnetProtocolError) as caught:
            await acknowledge(client, device, instance, state, stamp)
        assert (caught.value.error_class, caught.value.error_code) == error
        assert device.hand.acknowledged == []


async def test_an_acknowledgement_that_cannot_be_recorded_is_refused(tmp_path: Path) -> None:
    async with running(tmp_path) as device, front_end() as client:
        device.hand.alarms = [wire_alarm()]
        device.hand.trouble = LoopwitnessError("the store is full")
        await device.show(50.0, opened())
        with pytest.raises(rusty.BacnetProtocolError) as caught:
            await acknowledge(client, device, P1, "FAULT", BEGUN)
        # Class device 0, operational problem 25 (ASHRAE 135: read out of a BACnet library).
        assert (caught.value.error_class, caught.value.error_code) == (0, 25)
        found = await everything(client, device.to, input_id(P1))
        assert found["ACKED_TRANSITIONS"] == (1, 0, 1)
        device.hand.trouble = None
        await acknowledge(client, device, P1, "FAULT", BEGUN)


async def test_what_is_going_on(tmp_path: Path) -> None:
    never = ((255,) * 4, (255,) * 4)
    async with running(tmp_path) as device, front_end() as client:
        assert summaries(await client.get_event_information(device.to)) == ([], False)
        device.hand.alarms = [wire_alarm(), high_alarm(acknowledged=True)]
        await device.show(50.0, opened())
        (p1, combined), more = summaries(await client.get_event_information(device.to))
        assert not more
        assert (p1.instance, p1.state, p1.acknowledged) == (P1, FAULT, (1, 0, 1))
        assert p1.stamps == (never, BEGUN, never)
        assert (p1.notify_type, p1.enabled, p1.priorities) == (0, (0, 1, 1), (100, 130, 200))
        assert (combined.instance, combined.state) == (COMBINED, HIGH)
        assert combined.acknowledged == (1, 1, 1)
        rest = await client.get_event_information(device.to, input_id(P1))
        assert [one.instance for one in summaries(rest)[0]] == [COMBINED]
        device.hand.alarms = [wire_alarm(active=False)]
        await device.show()
        ((p1,), _) = summaries(await client.get_event_information(device.to))
        assert (p1.instance, p1.state, p1.acknowledged) == (P1, NORMAL, (1, 0, 1))


async def test_much_that_is_going_on_comes_in_several_answers(tmp_path: Path) -> None:
    # Answers of up to 480 octets (code 3), not in pieces.
    async with running(tmp_path, plant(more=40)) as device, listening() as anybody:
        names = [f"more-{k}" for k in range(40)]
        await device.show(50.0, *(opened(name) for name in names))
        seen: list[int] = []
        after = b""
        for _ in range(20):
            answer = await anybody.ask(bytes([0, 3, 1, 29]) + after, device.pair)
            assert len(answer.octets) <= 480
            found, more = summaries(answer.octets[3:])
            seen += [one.instance for one in found]
            after = bytes([0x0C]) + seen[-1].to_bytes(4, "big")
            if not more:
                break
    assert seen == list(range(3, 43)), "transducers come first"
