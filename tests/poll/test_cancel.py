"""Cancelling ends a poll within 0.2 s, whatever it is busy with."""

from __future__ import annotations

import asyncio
import random
import socket
import time
from collections.abc import AsyncIterator
from contextlib import ExitStack, asynccontextmanager
from typing import Any

import pytest

from gateway.errors import LinkError
from gateway.plant.controllers import Controller
from gateway.poll.connection import Connection
from gateway.poll.poller import poll_controller

from .peers import RawPeer, Scans, answer, controller, free_port

pytestmark = pytest.mark.slow


async def cancelled_soon(task: asyncio.Task[None]) -> None:
    task.cancel()
    await asyncio.wait({task}, timeout=0.2)
    for _ in range(20):  # the machine may have stood still meanwhile: no time passed for the task
        await asyncio.sleep(0)
    assert task.done()
    assert task.cancelled()


def start(noun: Controller, scans: Scans, offset_s: float = 0.0) -> asyncio.Task[None]:
    return asyncio.create_task(poll_controller("c", noun, scans.take, offset_s=offset_s))


@asynccontextmanager
async def deaf_port() -> AsyncIterator[int]:
    """A port whose connections are never made: its queue is full, so the handshake is dropped."""
    with ExitStack() as stack:
        listener = stack.enter_context(socket.socket())
        listener.bind(("127.0.0.1", 0))
        listener.listen(0)
        port: int = listener.getsockname()[1]
        for _ in range(3):
            filler = stack.enter_context(socket.socket())
            filler.settimeout(0)
            filler.connect_ex(("127.0.0.1", port))
        await asyncio.sleep(0.02)
        yield port


async def test_connecting() -> None:
    async with deaf_port() as port:
        with pytest.raises(LinkError, match=r"no connection to .*: no answer within 0.1 s"):
            await Connection(controller(port, timeout_s=0.1)).open()
        task = start(controller(port, timeout_s=30), Scans())
        await asyncio.sleep(0.05)
        await cancelled_soon(task)


async def test_waiting_for_an_answer() -> None:
    async def silent(_request: bytes, _writer: asyncio.StreamWriter) -> None:
        asked.set()

    asked = asyncio.Event()
    async with RawPeer(silent) as peer:
        task = start(controller(peer.port, timeout_s=30), Scans())
        await asked.wait()
        await cancelled_soon(task)


async def test_resting_between_two_requests() -> None:
    async def once(request: bytes, writer: asyncio.StreamWriter) -> None:
        writer.write(answer(request))
        asked.set()

    asked = asyncio.Event()
    async with RawPeer(once) as peer:
        scans = Scans()
        task = start(controller(peer.port, 2, reads={"pause_s": 5}), scans)
        await asked.wait()
        await asyncio.sleep(0.02)
        await cancelled_soon(task)
        assert not scans


async def test_between_ticks_and_before_the_first() -> None:
    async with RawPeer() as peer:
        for port, offset_s in ((peer.port, 0.0), (free_port(), 0.0), (peer.port, 500.0)):
            scans = Scans()
            task = start(controller(port, interval_s=20), scans, offset_s)
            if offset_s:
                await asyncio.sleep(0.02)
            else:
                await scans.until(lambda _: True)
            await cancelled_soon(task)
        async with asyncio.timeout(30):
            while peer.open:  # noqa: ASYNC110 (no event tells of a hang-up)
                await asyncio.sleep(0.01)


async def test_at_any_instant() -> None:
    seed = time.time_ns()
    print("seed", seed)  # noqa: T201 (shown when the test fails)
    rng = random.Random(seed)  # noqa: S311 (no secret)
    async with RawPeer() as peer:
        for _ in range(60):
            scans = Scans()
            clocks: dict[str, Any] = {"sleep": lambda _: asyncio.sleep(0)}
            noun = controller(peer.port, timeout_s=5)
            task = asyncio.create_task(poll_controller("c", noun, scans.take, offset_s=0, **clocks))
            for _ in range(rng.randrange(25)):
                await asyncio.sleep(0)
            await cancelled_soon(task)


async def test_a_cancel_together_with_the_answer() -> None:
    async with RawPeer() as peer:
        tasks: list[asyncio.Task[None]] = []

        async def answer_and_cancel(request: bytes, writer: asyncio.StreamWriter) -> None:
            writer.write(answer(request))
            tasks[-1].cancel()

        peer.behaviour = answer_and_cancel
        for _ in range(20):
            tasks.append(start(controller(peer.port, timeout_s=30), Scans()))
            # Counted from the start, connecting included; a lost cancellation would poll for ever.
            done, _ = await asyncio.wait({tasks[-1]}, timeout=5)
            assert done
