"""Two thousand random answers: the poll goes on, and shows no value that was not properly sent."""

from __future__ import annotations

import asyncio
import random
import struct
import time

import numpy as np
import pytest
from structlog.testing import capture_logs

from gateway.measure.quality import Reason
from gateway.poll.poller import poll_controller
from gateway.poll.scan import Scan

from .peers import RawPeer, answer, controller
from .spoils import SPOILS

pytestmark = pytest.mark.slow

ANSWERS = 2000
COUNT = 4
"""Registers that every request asks for."""


def proper_words(request: bytes, sent: bytes) -> tuple[int, ...] | None:
    """The registers in `sent` when it is a proper answer; worked out apart from the gateway."""
    if len(sent) != 9 + 2 * COUNT or sent[:9] != answer(request)[:9]:
        return None
    return struct.unpack(f">{COUNT}H", sent[9:])


class Fuzzer:
    """Answers with fresh numbers each time, spoilt in some way, and keeps the proper ones."""

    def __init__(self, seed: int) -> None:
        self._rng = random.Random(seed)  # noqa: S311 (no secret)
        self._last = b"\0"
        self.proper: list[tuple[int, ...]] = []
        self.answers = 0
        self.done = asyncio.Event()

    async def behave(self, request: bytes, writer: asyncio.StreamWriter) -> None:
        rng = self._rng
        whole = answer(request, [rng.randrange(65536) for _ in range(COUNT)])
        sent = rng.choice(list(SPOILS.values()))(rng, whole, self._last)
        self._last = whole
        if words := proper_words(request, sent):
            self.proper.append(words)
        # In two pieces, as a network may deliver them.
        cut = rng.randrange(len(sent) + 1)
        writer.write(sent[:cut])
        await asyncio.sleep(0)
        writer.write(sent[cut:])
        # What is too short would be waited for until the timeout: that is tried a few times only.
        if len(sent) < len(whole) and rng.random() < 0.975:
            writer.close()
        self.answers += 1
        if self.answers == ANSWERS:
            self.done.set()


async def fuzz(fuzzer: Fuzzer) -> list[Scan]:
    """Scans of a controller that answers as the fuzzer does."""
    asyncio.get_running_loop().set_debug(False)  # for speed
    scans: list[Scan] = []
    now = 0.0

    async def sleep(seconds: float) -> None:
        nonlocal now
        now += seconds
        await asyncio.sleep(0)

    points = {f"p{i}": {"table": "input", "address": i} for i in range(COUNT)}
    async with RawPeer(fuzzer.behave) as peer:
        noun = controller(peer.port, points=points, interval_s=30.0, timeout_s=0.1)
        poll = asyncio.create_task(
            poll_controller(
                "c", noun, scans.append, offset_s=0.0, monotonic=lambda: now, sleep=sleep
            )
        )
        done = asyncio.create_task(fuzzer.done.wait())
        await asyncio.wait({poll, done}, timeout=60, return_when=asyncio.FIRST_COMPLETED)
        for task in (done, poll):
            task.cancel()
        await asyncio.wait({poll, done})
        assert poll.cancelled(), poll
    return scans


@pytest.mark.timeout(90)
async def test_random_answers() -> None:
    seed = time.time_ns()
    print("seed", seed)  # noqa: T201 (shown when the test fails)
    fuzzer = Fuzzer(seed)
    with capture_logs():
        scans = await fuzz(fuzzer)
    assert fuzzer.answers >= ANSWERS
    shown = [scan for scan in scans if Reason.NONE in scan.reasons]
    for scan in shown:
        assert (scan.reasons == Reason.NONE).all()
    for scan in scans:
        assert (np.isnan(scan.values) == (scan.reasons != Reason.NONE)).all()
    # What is shown was properly sent, in the same order; and nearly all of that is shown (a busy
    # machine may lose some to the short timeout).
    sent = iter(fuzzer.proper)
    assert all(tuple(int(value) for value in scan.values) in sent for scan in shown)
    assert 0.9 * len(fuzzer.proper) <= len(shown) <= ANSWERS / 2
    assert len(shown) > 100
