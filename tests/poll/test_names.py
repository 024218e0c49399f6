"""Controllers by name: many addresses, and a name server that is silent."""

from __future__ import annotations

import asyncio
import socket
import threading
from typing import Any

import pytest

from gateway.errors import LinkError
from gateway.poll.connection import Connection
from gateway.poll.names import LOOKUPS, addresses
from gateway.poll.poller import read_once

from .peers import PATIENT_S, RawPeer, controller, pass_time


def resolving(monkeypatch: pytest.MonkeyPatch, *found: str) -> None:
    def looked_up(*_: Any, **__: Any) -> list[Any]:
        return [(socket.AF_INET, socket.SOCK_STREAM, 6, "", (one, 502)) for one in found]

    monkeypatch.setattr(socket, "getaddrinfo", looked_up)


async def test_an_address_is_its_own() -> None:
    assert await addresses("192.0.2.1", 502) == ["192.0.2.1"]
    assert await addresses("fe80::1%eth0", 502) == ["fe80::1%eth0"]


async def test_a_name_is_looked_up_at_every_connection(monkeypatch: pytest.MonkeyPatch) -> None:
    async with RawPeer() as peer:
        named = controller(peer.port, host="sf-2.plant")
        resolving(monkeypatch, "127.0.0.1")
        assert (await read_once("c", named)).values.tolist() == [1000.0]
        resolving(monkeypatch, "127.0.0.9")
        assert "Connection refused" in (await read_once("c", named)).link.reason


async def test_every_address_of_a_name_is_tried(monkeypatch: pytest.MonkeyPatch) -> None:
    """Also where the first one gives no answer at all."""
    silent = socket.create_server(("127.0.0.2", 0), backlog=0)
    port = silent.getsockname()[1]
    filling = [socket.socket() for _ in range(4)]
    for one in filling:
        one.setblocking(False)  # noqa: FBT003 - the socket's own way
        one.connect_ex(("127.0.0.2", port))
    server = await asyncio.start_server(lambda _, writer: writer.close(), "127.0.0.1", port)
    resolving(monkeypatch, "127.0.0.9", "127.0.0.2", "127.0.0.1")
    # The silent one's share of 30 s passes, unless it is not its turn yet: then it is waited for.
    asyncio.get_running_loop().call_later(0.1, pass_time, PATIENT_S / 3)
    async with Connection(controller(port, host="sf-2.plant")) as connection:
        assert not connection.closed
    for one in [silent, *filling]:
        one.close()
    server.close()


async def test_a_silent_name_server_keeps_nobody_else_waiting(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    done = threading.Event()
    asked = threading.Semaphore(0)

    def silence(*_: Any, **__: Any) -> list[Any]:
        asked.release()
        done.wait(100)
        raise socket.gaierror(socket.EAI_AGAIN, "Temporary failure in name resolution")

    monkeypatch.setattr(socket, "getaddrinfo", silence)
    try:
        opened = [Connection(controller(502, host=f"c{i}", timeout_s=0.1)) for i in range(40)]
        ends = await asyncio.gather(*(one.open() for one in opened), return_exceptions=True)
        assert [str(end) for end in ends] == [
            f"no connection to c{i}:502: no answer within 0.1 s" for i in range(40)
        ]
        assert all(isinstance(end, LinkError) for end in ends)
        async with asyncio.timeout(60):
            await asyncio.to_thread(lambda: None)
            for _ in range(LOOKUPS):
                assert await asyncio.to_thread(asked.acquire, timeout=30)
        assert not asked.acquire(blocking=False), "and no more threads than that"
    finally:
        done.set()
