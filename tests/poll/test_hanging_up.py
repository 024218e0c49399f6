"""Controllers that close the connection: after each answer, or over a request they do not like."""

from __future__ import annotations

import asyncio

import numpy as np
import pytest

from gateway.poll.poller import read_once
from gateway.poll.watch import RegisterWatch

from .peers import RawPeer, answer, controller


@pytest.mark.parametrize("delay", [0.0, 0.002])
async def test_a_controller_that_closes_after_each_answer_is_read_whole(delay: float) -> None:
    async def one_each(request: bytes, writer: asyncio.StreamWriter) -> None:
        writer.write(answer(request))
        await writer.drain()
        await asyncio.sleep(delay)
        writer.close()

    async with RawPeer(one_each) as peer:
        scan = await read_once("c", controller(peer.port, 3))
        async with RegisterWatch(controller(peer.port, interval_s=0.1), "input", 0, 299) as watch:
            seen = await anext(watch)
    assert (scan.link.reason, scan.values.tolist()) == ("", [1000.0, 1100.0, 1200.0])
    assert (seen.trouble, [r.uint16 for r in seen.registers]) == ("", [*range(1000, 1300)])


async def test_a_controller_that_hangs_up_on_a_request_is_asked_once_more_and_no_more() -> None:
    async def dislikes(request: bytes, writer: asyncio.StreamWriter) -> None:
        if int.from_bytes(request[8:10], "big") == 100:
            writer.close()
        else:
            writer.write(answer(request))

    async with RawPeer(dislikes) as peer:
        scan = await read_once("c", controller(peer.port, 3))
    assert np.isnan(scan.values).tolist() == [False, True, True]
    assert scan.link.reason == "input 100 to 100: the controller closed the connection"
    assert [int.from_bytes(one[8:10], "big") for one in peer.requests] == [0, 100, 100]
