"""`loopwitness registers`: finds the register that moves, and ends in order."""

from __future__ import annotations

import asyncio
import json
import signal
import struct
from pathlib import Path

import pytest

from tests.cli.commands import command, ended, started, tell
from tests.poll.peers import RawPeer, answer

pytestmark = pytest.mark.slow


class Moving:
    """Register 12 goes up with every request; the others hold their address."""

    def __init__(self) -> None:
        self.rounds = 0
        self.often = asyncio.Event()
        """Set when it has been asked six times."""

    async def __call__(self, request: bytes, writer: asyncio.StreamWriter) -> None:
        self.rounds += 1
        first, count = struct.unpack(">HH", request[8:12])
        held = [i + (self.rounds if i == 12 else 0) for i in range(first, first + count)]
        writer.write(answer(request, held))
        if self.rounds > 5:
            self.often.set()


async def test_json_has_a_line_for_every_round(tmp_path: Path) -> None:
    controller = Moving()
    async with (
        RawPeer(controller) as peer,
        started(
            tmp_path, "registers", f"127.0.0.1:{peer.port}", "--table", "input", "--unit", 9,
            "--first", 10, "--last", 14, "--interval", 0.1, "--timeout", 60, "--json",
        ) as process,
    ):  # fmt: skip
        await asyncio.wait_for(controller.often.wait(), 60)
        tell(process, signal.SIGINT)
        seen = await ended(process)
    assert (seen.code, seen.err) == (130, "")
    lines = [json.loads(line) for line in seen.out.splitlines()]
    assert len(lines) in {controller.rounds - 1, controller.rounds}
    assert [r["address"] for r in lines[-1]["registers"]] == [10, 11, 12, 13, 14]
    moved = [r["address"] for r in lines[-1]["registers"] if r["changes"]]
    assert moved == [12]
    assert {(request[6], request[7]) for request in peer.requests} == {(9, 4)}


async def test_a_table_is_left_when_it_is_stopped(tmp_path: Path) -> None:
    controller = Moving()
    async with RawPeer(controller) as peer:
        address = f"127.0.0.1:{peer.port}"
        words = ("registers", address, "--moving", "--interval", 0.1, "--timeout", 60)
        async with started(tmp_path, *words) as process:
            # Asked again, it has taken in what was answered before.
            await asyncio.wait_for(controller.often.wait(), 60)
            tell(process, signal.SIGINT)
            seen = await ended(process)
    assert seen.code == 130
    assert "Traceback" not in seen.err
    assert "holding registers" in seen.out
    rows = [line.split() for line in seen.out.splitlines() if line.strip()]
    assert [row[0] for row in rows if row[0].isdigit()] == ["12"]


@pytest.mark.parametrize(
    ("args", "code", "said"),
    [
        (["127.0.0.1:{port}"], 4, "no connection to 127.0.0.1:{port}: Connection refused"),
        (["127.0.0.1:70000"], 2, "allowed: HOST, HOST:PORT or [IPV6]:PORT"),
        (["a..b"], 2, 'host: "a..b"; allowed: a host name or an address'),
        (["a:b:c"], 2, "allowed: HOST, HOST:PORT or [IPV6]:PORT"),
        (["[::1]:{port}"], 4, "no connection to ::1:{port}"),
        (["127.0.0.1", "--first", "9", "--last", "8"], 2, "allowed: 9 (--first) to 65535"),
        (["127.0.0.1", "--table", "coils"], 2, "coils"),
        (["127.0.0.1", "--unit", "256"], 2, "'--unit': Input should be less than or equal to 255"),
    ],
)
async def test_what_cannot_be_done(
    tmp_path: Path, free_port: int, args: list[str], code: int, said: str
) -> None:
    seen = await command(tmp_path, "registers", *(a.format(port=free_port) for a in args))
    assert seen.code == code
    assert said.format(port=free_port) in seen.err
    assert "Traceback" not in seen.err
    assert seen.out == ""


async def test_a_controller_that_refuses_everything(tmp_path: Path) -> None:
    async def refuse(request: bytes, writer: asyncio.StreamWriter) -> None:
        transaction, unit, function = request[:2], request[6], request[7]
        writer.write(transaction + bytes([0, 0, 0, 3, unit, function | 0x80, 2]))

    async with RawPeer(refuse) as peer:
        address = f"127.0.0.1:{peer.port}"
        words = ("registers", address, "--last", 3, "--timeout", 60, "--for", 1)
        seen = await command(tmp_path, *words)
    assert seen.code == 4
    assert "nothing could be read: no such registers" in seen.err
