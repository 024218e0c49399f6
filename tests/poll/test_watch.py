"""Watching raw registers: what moves, what is refused, what it may mean."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Any

import pytest

from gateway.errors import LinkError
from gateway.poll.watch import (
    COLUMNS,
    Observation,
    Register,
    RegisterWatch,
    plausible_float,
    table_rows,
)

from .peers import (
    PATIENT_S,
    Behaviour,
    RawPeer,
    answer,
    controller,
    free_port,
    pass_time,
    simulator,
)

pytestmark = pytest.mark.slow


def serving(words: dict[int, int], refusal: Callable[[int, int], int]) -> Behaviour:
    """Answers from `words`; `refusal(first, count)` gives an exception code or 0."""

    async def behaviour(request: bytes, writer: asyncio.StreamWriter) -> None:
        first, count = (int.from_bytes(request[i : i + 2], "big") for i in (8, 10))
        if code := refusal(first, count):
            writer.write(request[:4] + b"\0\3" + request[6:7] + bytes([request[7] | 0x80, code]))
        else:
            writer.write(answer(request, [words[first + i] for i in range(count)]))

    return behaviour


def watch(
    port: int, first: int, last: int, naps: list[float] | None = None, **more: Any
) -> RegisterWatch:
    async def sleep(seconds: float) -> None:
        if naps is not None:
            naps.append(seconds)

    noun = controller(port, 0, interval_s=0.5, **more)
    return RegisterWatch(noun, "holding", first, last, sleep=sleep, wall=lambda: 7.0)


async def test_what_moves() -> None:
    words = {10: 5, 11: 0xFFFF, 12: 40000, 13: 0, 14: 0x42F6, 15: 0xE979, 16: 0x41C8}
    naps: list[float] = []
    async with (
        RawPeer(serving(words, lambda *_: 0)) as peer,
        watch(peer.port, 10, 16, naps) as registers,
    ):
        await anext(registers)
        words |= {10: 7, 11: 2, 12: 40010}
        await anext(registers)
        words |= {10: 6}
        seen = await anext(registers)
    assert (seen.rounds, seen.time, seen.table, seen.trouble) == (3, 7.0, "holding", "")
    assert naps == [0.5, 0.5]
    assert seen.registers[:3] == (
        Register(10, uint16=6, int16=6, lowest=5, highest=7, changes=2),
        Register(11, uint16=2, int16=2, lowest=-1, highest=2, changes=1),
        Register(12, uint16=40010, int16=-25526, lowest=40000, highest=40010, changes=1),
    )
    # 42 F6 E9 79 hex is 123.456 and 41 C8 ... is about 25, IEEE 754 single precision.
    assert seen.registers[4].float_high_first == pytest.approx(123.456)
    assert seen.registers[4].float_low_first is None
    assert seen.registers[5].float_low_first == pytest.approx(25.11, abs=0.01)
    assert len(peer.requests) == 3


async def test_refused_registers_are_found_once() -> None:
    gone = {3, 8, 9}
    words = {n: n for n in range(16)}

    def refusal(first: int, count: int) -> int:
        return 2 if gone & set(range(first, first + count)) else 0

    async with (
        RawPeer(serving(words, refusal)) as peer,
        watch(peer.port, 0, 15) as registers,
    ):
        first = await anext(registers)
        asked = len(peer.requests)
        second = await anext(registers)
    for seen in (first, second):
        assert {r.address for r in seen.registers if r.refused} == gone
        assert {r.address for r in seen.registers if r.uint16 is None} == gone
        assert seen.trouble == ""
    # From then on only what is there is asked for: 0-1, 2, 4-7, 10-11, 12-15.
    assert len(peer.requests) - asked == 5


async def test_a_controller_that_takes_only_short_reads() -> None:
    words = {n: n for n in range(200)}
    async with (
        RawPeer(serving(words, lambda _, count: 3 if count > 40 else 0)) as peer,
        watch(peer.port, 0, 199) as registers,
    ):
        seen = await anext(registers)
    assert [r.uint16 for r in seen.registers] == list(range(200))


async def test_a_function_the_controller_does_not_have() -> None:
    async with RawPeer(serving({}, lambda *_: 1)) as peer, watch(peer.port, 0, 99) as registers:
        seen = await anext(registers)
    assert all(r.refused for r in seen.registers)
    assert len(peer.requests) == 1


async def test_trouble_is_told_and_passes() -> None:
    words = {0: 1}
    async with (
        RawPeer(serving(words, lambda *_: 6)) as peer,
        watch(peer.port, 0, 0) as registers,
    ):
        busy = await anext(registers)
        assert busy.trouble == "holding 0 to 0: exception 6 (server device busy)"
        assert busy.registers == (Register(0),)

        async def silent(_request: bytes, _writer: asyncio.StreamWriter) -> None:
            pass_time(PATIENT_S)

        async def odd(request: bytes, writer: asyncio.StreamWriter) -> None:
            writer.write(answer(request, unit=3))

        for peer.behaviour, trouble in ((silent, "no answer within 30 s"), (odd, "unit 3")):
            assert trouble in (await anext(registers)).trouble
        peer.behaviour = serving(words, lambda *_: 0)
        good = await anext(registers)
    assert (good.trouble, good.registers[0].uint16) == ("", 1)
    assert peer.connections == 3


@pytest.mark.server
async def test_a_real_server_refuses_what_it_does_not_have() -> None:
    async with simulator([4, 5, 6]) as port, watch(port, 0, 5) as registers:
        seen = await anext(registers)
    assert [r.uint16 for r in seen.registers] == [4, 5, 6, None, None, None]
    assert [r.refused for r in seen.registers] == [False] * 3 + [True] * 3


async def test_nobody_there() -> None:
    with pytest.raises(LinkError, match="no connection to"):
        async with watch(free_port(), 0, 5):
            pass


@pytest.mark.parametrize(("first", "last"), [(-1, 5), (6, 5), (0, 65536)])
def test_a_range_that_is_none(first: int, last: int) -> None:
    with pytest.raises(ValueError, match="allowed: 0 <= first <= last <= 65535"):
        watch(1, first, last)


def test_rows_are_plain_strings() -> None:
    registers = (
        Register(9, refused=True),
        Register(10),
        Register(11, uint16=65535, int16=-1, lowest=-1, highest=2, changes=3,
                 float_low_first=123.456001),
    )  # fmt: skip
    seen = Observation(0.0, 1, "input", registers, "")
    rows = table_rows(seen)
    assert rows == [
        ("9", "refused", "", "", "", "", "", "", ""),
        ("10", "not read", "", "", "", "", "", "", ""),
        ("11", "FFFF", "65535", "-1", "-1", "2", "3", "", "123.456"),
    ]
    assert {len(row) for row in rows} == {len(COLUMNS)}
    assert table_rows(seen, moving_only=True) == rows[2:]


@pytest.mark.parametrize(
    ("high", "low", "value"),
    [
        (0x41C8, 0x0000, 25.0),
        (0xC1C8, 0x0000, -25.0),
        (0x0000, 0x0019, None),
        (0x7FC0, 0x0000, None),
        (0x0000, 0x0000, None),
        (0x7F80, 0x0000, None),
        (0x6000, 0x0000, None),
    ],
)
def test_plausible_floats(high: int, low: int, value: float | None) -> None:
    assert plausible_float(high, low) == value
