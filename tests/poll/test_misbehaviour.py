"""Peers that misbehave: the right reason, no harm to a neighbour, and recovery."""

from __future__ import annotations

import asyncio
import time
from itertools import pairwise

import numpy as np
import pytest

from gateway.measure.quality import Reason
from gateway.plant.controllers import Controller
from gateway.poll.poller import poll_controller
from gateway.poll.scan import Scan

from .peers import PATIENT_S, Behaviour, RawPeer, Scans, answer, behave, controller, pass_time

pytestmark = pytest.mark.slow

NONE, NO_COMMUNICATION, BAD_REPLY = Reason.NONE, Reason.NO_COMMUNICATION, Reason.BAD_REPLY
OLD = 4711


async def silent(_request: bytes, _writer: asyncio.StreamWriter) -> None:
    """Reads, and never says a word."""
    pass_time(PATIENT_S)


async def half_open(_request: bytes, _writer: asyncio.StreamWriter) -> None:
    """Keeps the connection, but reads and says nothing ever after."""
    pass_time(PATIENT_S)
    await asyncio.Event().wait()


async def late(request: bytes, writer: asyncio.StreamWriter) -> None:
    """Answers with old data when nobody waits for it any more."""
    pass_time(PATIENT_S)
    await asyncio.sleep(0.1)
    writer.write(answer(request, [OLD]))


async def hang_up(_request: bytes, writer: asyncio.StreamWriter) -> None:
    writer.close()


async def reset(_request: bytes, writer: asyncio.StreamWriter) -> None:
    writer.transport.abort()


async def wrong_function(request: bytes, writer: asyncio.StreamWriter) -> None:
    writer.write(answer(request, function=3))


async def wrong_unit(request: bytes, writer: asyncio.StreamWriter) -> None:
    writer.write(answer(request, unit=2))


async def wrong_transaction(request: bytes, writer: asyncio.StreamWriter) -> None:
    writer.write(answer(request, [OLD], transaction=0))


async def short(request: bytes, writer: asyncio.StreamWriter) -> None:
    """A well-formed answer with no register in it."""
    writer.write(answer(request, []))


async def cut(request: bytes, writer: asyncio.StreamWriter) -> None:
    writer.write(answer(request)[:-1])
    await asyncio.sleep(0.01)  # what was written is read before any timer is looked at
    pass_time(PATIENT_S)


async def refuse(request: bytes, writer: asyncio.StreamWriter) -> None:
    writer.write(answer(request, [], function=request[7] | 0x80, length=3, size=2))


async def garbage(_request: bytes, writer: asyncio.StreamWriter) -> None:
    writer.write(bytes(range(255, 200, -1)))


async def undecodable(request: bytes, writer: asyncio.StreamWriter) -> None:
    writer.write(answer(request, [OLD], size=250))


async def flood(request: bytes, writer: asyncio.StreamWriter) -> None:
    """More bytes at once than any answer has, an answer at their end."""
    writer.write(bytes(3000) + answer(request, [OLD]))


CASES: list[tuple[Behaviour, Reason]] = [
    (silent, NO_COMMUNICATION),
    (half_open, NO_COMMUNICATION),
    (late, NO_COMMUNICATION),
    (hang_up, NO_COMMUNICATION),
    (reset, NO_COMMUNICATION),
    (wrong_function, BAD_REPLY),
    (wrong_unit, BAD_REPLY),
    (wrong_transaction, BAD_REPLY),
    (short, BAD_REPLY),
    (cut, BAD_REPLY),
    (refuse, BAD_REPLY),
    (garbage, BAD_REPLY),
    (undecodable, BAD_REPLY),
    (flood, BAD_REPLY),
]


def good(scan: Scan) -> bool:
    return (int(scan.reasons[0]), float(scan.values[0])) == (NONE, 1000.0)


async def twice_as_fast(noun: Controller, scans: Scans) -> None:
    """Poll, with a clock that shortens the test; the answers come in real time."""
    await poll_controller(
        "c",
        noun,
        scans.take,
        offset_s=0,
        monotonic=lambda: 2 * time.monotonic(),
        sleep=lambda seconds: asyncio.sleep(seconds / 2),
        rng=lambda: 1.0,
    )


@pytest.mark.parametrize(
    ("behaviour", "reason"), CASES, ids=lambda case: getattr(case, "__name__", "")
)
async def test_misbehaviour_and_recovery(behaviour: Behaviour, reason: Reason) -> None:
    scans, neighbours = Scans(), Scans()
    async with RawPeer() as peer, RawPeer() as neighbour, asyncio.TaskGroup() as group:
        polls = [
            group.create_task(twice_as_fast(controller(peer.port), scans)),
            group.create_task(
                twice_as_fast(controller(neighbour.port, timeout_s=2 * PATIENT_S), neighbours)
            ),
        ]
        await scans.until(good)
        peer.behaviour = behaviour
        await scans.until(lambda scan: not good(scan), 20)
        peer.behaviour = behave
        await scans.until(good, 20)
        for poll in polls:
            poll.cancel()
    bad = [scan for scan in scans if not good(scan)]
    assert {int(scan.reasons[0]) for scan in bad} == {reason}
    assert all(np.isnan(scan.values[0]) for scan in bad)
    assert all(scan.link.reason for scan in bad)
    # Once good again, it stays good: nothing late or left over comes through.
    assert sum(good(a) != good(b) for a, b in pairwise(scans)) == 2
    assert all(good(scan) for scan in neighbours)
    assert len(neighbours) >= len(scans) - 2
    assert (peer.connections == 1) == (behaviour is refuse)
