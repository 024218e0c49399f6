"""The server and its event stream over real sockets on loopback."""

from __future__ import annotations

import asyncio
import json
import signal
import socket
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import httpx
import pytest

from gateway.errors import StartError
from gateway.settings import Settings
from gateway.web import streams
from gateway.web.serve import CLOSE_S, address_of, listening, serve
from tests.pulse import pulse

from .archive import START, open_circuit
from .feeder import Feeder, serving

pytestmark = pytest.mark.server


class Events:
    """Reads a stream: `next()` gives the data of the next event."""

    def __init__(self, lines: AsyncIterator[str]) -> None:
        self._lines = lines
        self.comments: list[str] = []

    async def next(self) -> dict[str, Any]:
        """The next event's state; EOFError at the end."""
        name = ""
        async with asyncio.timeout(60):
            async for line in self._lines:
                if line.startswith(":"):
                    self.comments.append(line)
                elif line.startswith("event: "):
                    name = line.removeprefix("event: ")
                elif line.startswith("data: "):
                    assert name == "state"
                    state: dict[str, Any] = json.loads(line.removeprefix("data: "))
                    return state
        raise EOFError


@asynccontextmanager
async def listener(address: str) -> AsyncIterator[Events]:
    async with (
        httpx.AsyncClient(timeout=60) as client,
        client.stream("GET", f"{address}api/v1/stream") as answer,
    ):
        assert answer.headers["content-type"].startswith("text/event-stream")
        assert answer.headers["content-encoding"] == "gzip"
        yield Events(answer.aiter_lines())


async def test_state_at_once_and_with_every_row(feeder: Feeder) -> None:
    async with serving(feeder) as address, listener(address) as events:
        first = await events.next()
        assert (first["time"], first["loops"]) == (None, [])
        now = time.time()
        feeder.findings = [open_circuit(now)]
        feeder.row(now)
        state = await events.next()
        assert [x["id"] for x in state["loops"]] == list(feeder.live.site.loops)
        assert state["loops"][2]["findings"][0]["fault"] == "open-circuit"
        assert len(state["links"]) == 3
        assert 0 <= state["age_s"] <= time.time() - now + 0.1
        assert state["fresh_within_s"] == 5


async def test_rows_faster_than_the_reader_are_skipped(
    feeder: Feeder, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(streams, "GAP_S", 0.2)
    async with serving(feeder) as address, listener(address) as events:
        await events.next()
        start, seen = time.monotonic(), 0
        async with asyncio.TaskGroup() as tasks:

            async def rows() -> None:
                for _ in range(50):
                    feeder.row(time.time())
                    await asyncio.sleep(0.02)

            tasks.create_task(rows())
            while feeder.number < 50:
                await events.next()
                seen += 1
        passed = time.monotonic() - start
        assert seen <= passed / 0.2 + 1
        assert seen >= 3


async def test_silence_is_filled_with_the_age(
    feeder: Feeder, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(streams, "GAP_S", 0.05)
    monkeypatch.setattr(streams, "HEARTBEAT_S", 0.2)
    feeder.row(time.time() - 100)
    async with serving(feeder) as address, listener(address) as events:
        first, second = await events.next(), await events.next()
        assert first["time"] == second["time"]
        assert first["age_s"] >= 100
        assert events.comments == [": no new row"]


async def test_a_reader_that_does_not_read_holds_up_nobody(
    feeder: Feeder, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(streams, "GAP_S", 0.001)
    feeder.findings = [replace(open_circuit(START), consequence=500_000 * "x")]
    with socket.socket() as idle, pulse() as passed:
        async with serving(feeder) as address:
            idle.connect(("127.0.0.1", httpx.URL(address).port))
            idle.sendall(b"GET /api/v1/stream HTTP/1.1\r\nHost: x\r\n\r\n")
            async with listener(address) as events:
                await events.next()
                sent = 0
                while sent < 12_000_000:  # far more than the sockets between them hold
                    feeder.row(time.time())
                    sent += len(json.dumps(await events.next()))
            begun, before = time.monotonic(), passed()
        # Leaving closed the server, with the idle reader's answer stuck: cut off at the deadline.
        assert time.monotonic() - begun > CLOSE_S - 1
        assert passed() - before < CLOSE_S + 3
        await asyncio.sleep(0)
        idle.settimeout(20)
        with suppress(ConnectionResetError):
            while idle.recv(1 << 20):
                pass


async def test_shutdown_ends_streams_at_once(
    feeder: Feeder, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(streams, "GAP_S", 0.01)
    feeder.row(time.time())
    opened: asyncio.Future[str] = asyncio.get_running_loop().create_future()
    task = asyncio.create_task(
        serve(feeder.live, tmp_path / "none", Settings(http_port=0), opened.set_result)
    )
    async with listener(await opened) as events:
        await events.next()
        await asyncio.sleep(0.2)  # by now it waits for the next row
        with pulse() as passed:
            task.cancel()
            with pytest.raises(EOFError):
                await events.next()
            assert passed() < 1
            with pytest.raises(asyncio.CancelledError):
                await task
            assert passed() < 2


async def test_a_port_in_use_is_one_clear_error(feeder: Feeder, tmp_path: Path) -> None:
    with listening("127.0.0.1", 0) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(StartError, match=rf"^127\.0\.0\.1:{port}: another program listens"):
            await serve(feeder.live, tmp_path / "none", Settings(http_port=port))


@pytest.mark.parametrize(
    ("host", "words"),
    [("192.0.2.1", "address of this machine"), ("no-such-host.invalid", "LOOPWITNESS_HTTP_HOST")],
)  # 192.0.2.0/24: for documentation, RFC 5737; .invalid: RFC 2606
def test_an_address_of_another_machine(host: str, words: str) -> None:
    with pytest.raises(StartError, match=words), listening(host, 0):
        pass


def test_an_address_to_type_into_a_browser() -> None:
    with listening("0.0.0.0", 0) as sock:
        port = sock.getsockname()[1]
        assert address_of(sock) == f"http://127.0.0.1:{port}/"
    with listening("::1", 0) as sock:
        assert address_of(sock) == f"http://[::1]:{sock.getsockname()[1]}/"


def test_answers_do_not_wait_for_the_reader_to_say_that_it_has_their_head() -> None:
    """Nagle's algorithm (RFC 896) with delayed acknowledgements (RFC 1122): 40 ms an answer."""
    with listening("127.0.0.1", 0) as sock:
        sock.setblocking(True)  # noqa: FBT003 - the socket's own way
        with socket.create_connection(sock.getsockname()), sock.accept()[0] as connection:
            assert connection.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY) == 1


async def test_signals_are_left_alone(feeder: Feeder) -> None:
    before = signal.getsignal(signal.SIGTERM), signal.getsignal(signal.SIGINT)
    async with serving(feeder):
        assert (signal.getsignal(signal.SIGTERM), signal.getsignal(signal.SIGINT)) == before


async def test_too_many_readers_are_refused(
    feeder: Feeder, client: httpx.AsyncClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("gateway.web.streaming.MOST", 0)
    feeder.row(START)
    answer = await client.get("/api/v1/stream")
    assert answer.status_code == 503
