"""Servers whose answers are none: each is told, and ends nothing."""

from __future__ import annotations

import asyncio

import pytest

from gateway.publish.pace import Pace
from gateway.publish.server import Unreachable, server
from tests.publish.made import options

NOWHERE = "influx_url is no address, or leads to what is none"


@pytest.mark.parametrize(
    ("answer", "why"),
    [
        (b"302 Found\r\nLocation: http://a..b/", NOWHERE),
        (b"302 Found\r\nLocation: http://[", NOWHERE),
        (b"302 Found\r\nLocation: ftp://series/", "ftp://series/"),
        (b"302 Found", "HTTP status 302 Found"),
        (b"200 OK\r\nContent-Type: text/html", "the answer is not that of a write"),
        (b"204 No Content\r\nX: " + 9000 * b"x", "Got more than"),
        (b"999 \xff", "HTTP status 999"),
        (b"400 No\r\nContent-Encoding: gzip\r\nContent-Length: 4\r\n\r\nabcd", "Can not decode"),
        (b"\x15\x03\x03\x00\x02\x02\x0a", "Bad status line|Invalid"),
    ],
)
async def test_an_answer_that_is_none(answer: bytes, why: str) -> None:
    async def answering(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(10_000)
        writer.write(b"HTTP/1.1 " + answer + b"\r\n\r\n")
        writer.close()

    async with await asyncio.start_server(answering, "127.0.0.1", 0) as peer:
        port = peer.sockets[0].getsockname()[1]
        async with server(options(influx_url=f"http://127.0.0.1:{port}"), Pace()) as there:
            with pytest.raises(Unreachable, match=why):
                await there.write(["a b=1 1"])
