"""Long answers, nonsense, and what the library alone makes of them."""

from __future__ import annotations

import asyncio
import random
from pathlib import Path
from typing import Any

import pytest
import rusty_bacnet as rusty
from bacpypes3.appservice import ApplicationServiceAccessPoint

from gateway.publish import bacnet_device
from tests.publish.bacnet_packets import COMPLEX_ACK, REJECT, listening
from tests.publish.bacnet_site import DEVICE, P1, everything, front_end, input_id, plant, running
from tests.publish.made import until

pytestmark = pytest.mark.server

DEVICE_ID = rusty.ObjectIdentifier(rusty.ObjectType.DEVICE, DEVICE)


async def test_long_answers_arrive_in_pieces(tmp_path: Path) -> None:
    async with running(tmp_path, plant(more=300)) as device, front_end() as client:
        found = await everything(client, device.to, DEVICE_ID)
        assert len(found["OBJECT_LIST"]) == 309


READ_EVERYTHING = bytes([2 << 0, 0x73, 9, 14, 0x0C]) + (8 << 22 | DEVICE).to_bytes(4, "big")
READ_EVERYTHING += bytes([0x1E, 0x09, 8, 0x1F])
"""ReadPropertyMultiple of all of the device, answers of up to 480 octets, in pieces."""


@pytest.mark.parametrize("ours", [True, False])
async def test_pieces_fit_and_the_library_alone_makes_them_too_long(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, *, ours: bool
) -> None:
    if not ours:
        monkeypatch.setattr(bacnet_device, "FittingAnswers", alone())
    async with running(tmp_path, plant(more=300)) as device, listening() as anybody:
        first = await anybody.ask(READ_EVERYTHING, device.pair)
        assert (first.kind, first.octets[0] & 0x0C) == (COMPLEX_ACK, 0x0C), (
            "in pieces, more to come"
        )
        assert (len(first.octets) <= 480) == ours
        if ours:  # nobody confirms it, so it comes again
            again = len(anybody.packets)
            await until(lambda: len(anybody.packets) > again)
            assert anybody.packets[-1].octets == first.octets


def alone() -> Any:
    """The library's own part, with nothing of ours but its end."""
    return type("Alone", (ApplicationServiceAccessPoint,), {"stop": lambda _: None})


async def test_nonsense_does_not_stop_it(tmp_path: Path) -> None:
    chance = random.Random(7)  # noqa: S311 - no secret
    async with running(tmp_path) as device, listening() as anybody, front_end() as client:
        assert anybody.transport is not None
        for length in range(200):
            anybody.transport.sendto(chance.randbytes(length % 50), device.pair)
            head = bytes([chance.randrange(8) << 4, 0x75, 1, chance.randrange(40)])
            anybody.send(head + chance.randbytes(length % 30), device.pair)
            await asyncio.sleep(0)
        assert (await everything(client, device.to, input_id(P1)))["UNITS"] == 53
        assert not device.task.done()


# Reject reason "other" is 0 (ASHRAE 135, from memory).
@pytest.mark.parametrize("request_octets", [b"\xc8", b"\x0c\x3e", b"\x0e\xff\xff\xff\xff"])
@pytest.mark.parametrize("ours", [True, False])
async def test_requests_that_cannot_be_read_are_refused_and_by_the_library_alone_dropped(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, request_octets: bytes, *, ours: bool
) -> None:
    if not ours:
        monkeypatch.setattr(bacnet_device, "FittingAnswers", alone())
    async with running(tmp_path) as device, listening() as anybody:
        if ours:
            answer = await anybody.ask(bytes([0, 0x75, 3]) + request_octets, device.pair)
            assert (answer.kind, answer.octets[2]) == (REJECT, 0)
        else:
            with pytest.raises(TimeoutError):
                await anybody.ask(bytes([0, 0x75, 3]) + request_octets, device.pair, 0.3)
