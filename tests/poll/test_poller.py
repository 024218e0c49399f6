"""The poll loop: paces, reasons, link state, log."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from itertools import pairwise
from typing import Any

import pytest
from structlog.testing import capture_logs

from gateway.measure.quality import Reason
from gateway.plant.controllers import Controller
from gateway.poll.plan import PlanError
from gateway.poll.poller import poll_controller, read_once
from gateway.poll.scan import Scan

from .peers import (
    PATIENT_S,
    RawPeer,
    Scans,
    answer,
    behave,
    controller,
    free_port,
    pass_time,
    second_server,
    simulator,
    wire_tap,
)

pytestmark = pytest.mark.slow

NONE, NO_COMMUNICATION, BAD_REPLY = Reason.NONE, Reason.NO_COMMUNICATION, Reason.BAD_REPLY


class Virtual:
    """A clock that only sleeping (and `spend`) moves; wall time is 1000 s ahead."""

    def __init__(self) -> None:
        self.now = 50.0

    def monotonic(self) -> float:
        return self.now

    def wall(self) -> float:
        return self.now + 1000.0

    async def sleep(self, seconds: float) -> None:
        self.now += seconds
        await asyncio.sleep(0)


@asynccontextmanager
async def polling(noun: Controller, clock: Virtual | None = None) -> AsyncIterator[Scans]:
    """Scans of a controller polled meanwhile."""
    scans = Scans()
    clocks: dict[str, Any] = {"rng": lambda: 1.0}
    if clock:
        clocks |= {"monotonic": clock.monotonic, "wall": clock.wall, "sleep": clock.sleep}
    task = asyncio.create_task(poll_controller("c", noun, scans.take, offset_s=0.05, **clocks))
    try:
        yield scans
    finally:
        task.cancel()
        assert isinstance((await asyncio.gather(task, return_exceptions=True))[0], BaseException)
        assert task.cancelled(), task


def reasons(scan: Scan) -> list[int]:
    return [int(reason) for reason in scan.reasons]


@pytest.mark.server
@pytest.mark.parametrize("serve", [simulator, second_server])
async def test_values_from_two_independent_servers(serve: Any) -> None:
    registers = [0] * 60
    registers[10] = 65436
    registers[40:42] = [0x42F6, 0xE979]
    registers[44:46] = [0x0000, 0xC1C8]
    points = {
        "counts": {"table": "input", "address": 10, "type": "int16"},
        "scaled": {"table": "holding", "address": 40, "type": "float32"},
        "other": {
            "table": "holding", "address": 44, "type": "float32", "word_order": "low-first",
            "scale": 2, "offset": 1,
        },
        "none": {"table": "holding", "address": 46, "invalid": [0]},
    }  # fmt: skip
    async with serve(registers) as port, wire_tap(port) as (tapped, sent):
        scan = await read_once("c", controller(tapped, points=points))
    assert scan.values[:3] == pytest.approx([-100.0, 123.456, -49.0], rel=1e-6)
    assert reasons(scan) == [NONE, NONE, NONE, Reason.INVALID_VALUE]
    assert (scan.link.connected, scan.link.reason, scan.link.failures) == (True, "", 0)
    assert [sent[i + 7] for i in range(0, len(sent), 12)] == [4, 3]


@pytest.mark.server
async def test_only_reads_ever_leave() -> None:
    points = {
        f"{table}{i}": {"table": table, "address": 10 * i, "type": "float32"}
        for table in ("input", "holding")
        for i in range(12)
    }
    async with simulator(list(range(80))) as port, wire_tap(port) as (tapped, sent):
        # Registers from 80 on do not exist: exceptions and good answers mixed.
        noun = controller(tapped, points=points, reads={"max_gap": 0})
        async with polling(noun) as scans:
            await scans.until(lambda scan: BAD_REPLY in reasons(scan), 20)
    assert len(sent) % 12 == 0
    assert len(sent) // 12 >= 72
    assert {sent[i + 7] for i in range(0, len(sent), 12)} == {3, 4}


async def test_pace_offset_and_missed_ticks() -> None:
    clock = Virtual()

    async def slow(request: bytes, writer: asyncio.StreamWriter) -> None:
        clock.now += 0.35 if len(peer.requests) == 3 else 0.01
        writer.write(answer(request))

    async with RawPeer(slow) as peer, polling(controller(peer.port, timeout_s=5), clock) as scans:
        await scans.until(lambda _: True, 20)
    ends = [1050.06, 1050.16, 1050.60, 1050.66, 1050.76]
    assert [scan.time for scan in scans[:5]] == pytest.approx(ends)
    assert [scan.link.missed_ticks for scan in scans[:5]] == [0, 0, 0, 3, 3]
    assert [scan.link.response_ms for scan in scans[:3]] == pytest.approx([10.0, 10.0, 350.0])
    assert [scan.link.polls for scan in scans[:3]] == [1, 2, 3]
    assert scans[1].link.last_answer == pytest.approx(1050.16)


async def test_silence_is_delivered_while_the_backoff_grows() -> None:
    clock = Virtual()
    async with polling(controller(free_port(), interval_s=1.0), clock) as scans:
        await scans.until(lambda _: True, 40)
    assert all(reasons(scan) == [NO_COMMUNICATION] for scan in scans)
    assert [scan.time for scan in scans[:40]] == pytest.approx([1050.05 + n for n in range(40)])
    assert all("refused" in scan.link.reason.lower() for scan in scans)
    assert scans[39].link.failures == scans[39].link.polls == 40
    assert not scans[39].link.connected


async def test_tries_grow_further_apart() -> None:
    clock = Virtual()
    times: list[float] = []

    async def silent(_request: bytes, _writer: asyncio.StreamWriter) -> None:
        times.append(clock.now)
        peer.close_all()

    async with (
        RawPeer(silent) as peer,
        polling(controller(peer.port, interval_s=1.0), clock) as scans,
    ):
        await scans.until(lambda _: True, 60)
    # With luck 1: 0.25 s, 0.5, 1, 2, 4, 8, then 15 s after each failed try, on the next tick.
    assert [round(b - a) for a, b in pairwise(times)][:7] == [1, 1, 1, 2, 4, 8, 15]


async def test_one_bad_reply_does_not_spoil_the_others() -> None:
    async def odd(request: bytes, writer: asyncio.StreamWriter) -> None:
        wrong = int.from_bytes(request[8:10], "big") == 100
        writer.write(answer(request, unit=9) if wrong else answer(request))

    async with RawPeer(odd) as peer:
        scan = await read_once("c", controller(peer.port, 3))
    assert reasons(scan) == [NONE, BAD_REPLY, NONE]
    assert scan.values[[0, 2]].tolist() == [1000.0, 1200.0]
    assert scan.link.reason == "input 100 to 100: an answer of unit 9 instead of 1"
    assert (scan.link.connected, scan.link.failures, scan.link.reconnects) == (True, 1, 1)
    assert peer.connections == 2


@pytest.mark.parametrize("length", [0, 10])
async def test_after_a_timeout_nothing_more_is_asked(length: int) -> None:
    async def broken_off(request: bytes, writer: asyncio.StreamWriter) -> None:
        if int.from_bytes(request[8:10], "big") != 100:
            writer.write(answer(request))
            return
        writer.write(answer(request)[:length])
        await asyncio.sleep(0.01)  # what was written is read before any timer is looked at
        pass_time(PATIENT_S)

    async with RawPeer(broken_off) as peer:
        scan = await read_once("c", controller(peer.port, 3))
    assert reasons(scan) == [NONE, BAD_REPLY if length else NO_COMMUNICATION, NO_COMMUNICATION]
    assert scan.link.reason.startswith("input 100 to 100: no answer within 30 s")
    assert len(peer.requests) == 2


async def test_an_answer_makes_the_next_wait_short_again() -> None:
    clock = Virtual()
    times: list[float] = []

    async def mostly_silent(request: bytes, writer: asyncio.StreamWriter) -> None:
        times.append(clock.now)
        if len(times) == 6:
            writer.write(answer(request))
        else:
            peer.close_all()

    async with (
        RawPeer(mostly_silent) as peer,
        polling(controller(peer.port, interval_s=1.0), clock) as scans,
    ):
        await scans.until(lambda _: True, 30)
    # 0: a connection that has served before is replaced at once.
    assert [round(b - a) for a, b in pairwise(times)][:9] == [1, 1, 1, 2, 4, 1, 0, 1, 1]


async def test_late_answers_never_become_later_values() -> None:
    old, new = 4711, 1000

    async def late(request: bytes, writer: asyncio.StreamWriter) -> None:
        if len(peer.requests) > 1:
            await behave(request, writer)
            return
        pass_time(PATIENT_S)
        for transaction in (int.from_bytes(request[:2], "big"), 0, 2, 3):
            await asyncio.sleep(0.1)
            writer.write(answer(request, [old], transaction=transaction))

    async with RawPeer(late) as peer:
        async with polling(controller(peer.port)) as scans:
            await scans.until(lambda scan: reasons(scan) == [NONE], 20)
        assert peer.connections == 2
    assert reasons(scans[0]) == [NO_COMMUNICATION]
    assert {float(scan.values[0]) for scan in scans if reasons(scan) == [NONE]} == {new}


async def test_an_idle_connection_closed_by_the_peer_costs_no_scan() -> None:
    async def once(request: bytes, writer: asyncio.StreamWriter) -> None:
        writer.write(answer(request))
        await writer.drain()
        writer.close()

    async with RawPeer(once) as peer:
        with capture_logs() as logs:
            async with polling(controller(peer.port)) as scans:
                await scans.until(lambda _: True, 20)
    assert all(reasons(scan) == [NONE] for scan in scans)
    assert scans[3].link.reconnects == 3
    assert [log["event"] for log in logs] == ["controller answers"]


async def test_rare_polls_keep_no_connection_open() -> None:
    clock = Virtual()
    async with (
        RawPeer() as peer,
        polling(controller(peer.port, interval_s=60.0), clock) as scans,
    ):
        await scans.until(lambda _: True, 20)
    assert peer.connections >= 3
    assert scans[2].link.reconnects == 0
    assert all(scan.link.connected for scan in scans)


async def test_only_changes_are_logged() -> None:
    async def silent(_request: bytes, _writer: asyncio.StreamWriter) -> None:
        pass_time(PATIENT_S)

    async def refuse(request: bytes, writer: asyncio.StreamWriter) -> None:
        writer.write(request[:4] + b"\0\3" + request[6:7] + bytes([request[7] | 0x80, 6]))

    async with RawPeer() as peer:
        with capture_logs() as logs:
            async with polling(controller(peer.port)) as scans:
                for behaviour, reason in (
                    (behave, NONE),
                    (refuse, BAD_REPLY),
                    (silent, NO_COMMUNICATION),
                    (behave, NONE),
                ):
                    peer.behaviour = behaviour
                    await scans.until(lambda scan, r=reason: reasons(scan) == [r], 20)  # type: ignore[misc] # a default binds early
    assert [(log["log_level"], log["event"], log.get("reason")) for log in logs] == [
        ("info", "controller answers", None),
        ("warning", "controller answers badly", "input 0 to 0: exception 6 (server device busy)"),
        ("warning", "controller lost", "input 0 to 0: no answer within 30 s"),
        ("info", "controller answers", None),
    ]
    assert {log["controller"] for log in logs} == {"c"}


async def test_points_that_may_not_be_read_are_an_error_at_once() -> None:
    noun = controller(free_port(), reads={"forbidden_input": [[0, 0]]})
    with pytest.raises(PlanError, match=r"points\.p0"):
        await poll_controller("c", noun, Scans().take, offset_s=0.0)


async def test_a_controller_without_points() -> None:
    scan = await read_once("c", controller(free_port(), 0))
    assert len(scan.values) == 0
    assert scan.link.reason == "it has no points to read"


async def test_read_once_says_why_not() -> None:
    port = free_port()
    scan = await read_once("c", controller(port, 2))
    assert reasons(scan) == [NO_COMMUNICATION] * 2
    assert f"no connection to 127.0.0.1:{port}" in scan.link.reason
