"""Peers to poll: a raw server that may answer anything, a wire tap, and two real servers."""

from __future__ import annotations

import asyncio
import socket
import struct
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from typing import Any, Self

from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice
from pyModbusTCP.server import DataBank, ModbusServer

from gateway.plant.controllers import Controller
from gateway.poll.scan import Scan

Behaviour = Callable[[bytes, asyncio.StreamWriter], Awaitable[None]]
PATIENT_S = 30.0
"""Longer than a machine stands still: whoever waits so long has no answer."""
WITHIN_S = 120.0


def controller(port: int, count: int = 1, **more: Any) -> Controller:
    """Points p0, p1, ... are uint16 in input registers 0, 100, 200 ...: one request each."""
    nouns = {f"p{i}": {"table": "input", "address": 100 * i} for i in range(count)}
    given = {"host": "127.0.0.1", "port": port, "interval_s": 0.1, "timeout_s": PATIENT_S}
    return Controller.model_validate({**given, "points": nouns, **more})


def answer(request: bytes, words: list[int] | None = None, **changes: int) -> bytes:
    """A proper answer (registers hold their address + 1000), or one with header fields changed."""
    transaction, protocol, _, unit, function, first, count = struct.unpack(">HHHBBHH", request)
    registers = [(first + i + 1000) % 65536 for i in range(count)] if words is None else words
    fields = {"transaction": transaction, "protocol": protocol, "unit": unit}
    fields |= {"function": function, "length": 3 + 2 * len(registers), "size": 2 * len(registers)}
    fields |= changes
    names = ("transaction", "protocol", "length", "unit", "function", "size")
    return struct.pack(f">HHHBBB{len(registers)}H", *(fields[name] for name in names), *registers)


async def behave(request: bytes, writer: asyncio.StreamWriter) -> None:
    """What a good controller does."""
    writer.write(answer(request))


class RawPeer:
    """A server that keeps every request and answers as `behaviour` says at that moment."""

    def __init__(self, behaviour: Behaviour = behave) -> None:
        self.behaviour = behaviour
        self.requests: list[bytes] = []
        self.connections = 0
        self.port = 0
        self._tasks: set[asyncio.Task[None]] = set()
        self._writers: set[asyncio.StreamWriter] = set()

    @property
    def open(self) -> int:
        """Connections that nobody has closed."""
        return len(self._writers)

    def close_all(self) -> None:
        """Hang up on everybody."""
        for writer in self._writers:
            writer.close()

    async def __aenter__(self) -> Self:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(self, *_: object) -> None:
        self._server.close()
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task
        self._tasks.add(task)
        self._writers.add(writer)
        self.connections += 1
        try:
            while True:
                request = await reader.readexactly(12)
                self.requests.append(request)
                await self.behaviour(request, writer)
        except (asyncio.IncompleteReadError, ConnectionError):
            pass  # the other side is gone, as it should after anything odd
        except asyncio.CancelledError:
            pass  # the test is over
        finally:
            writer.close()
            self._tasks.discard(task)
            self._writers.discard(writer)


@asynccontextmanager
async def wire_tap(port: int) -> AsyncIterator[tuple[int, bytearray]]:
    """A port that leads to `port`, and every byte that went there through it."""
    sent = bytearray()
    tasks: set[asyncio.Task[None]] = set()

    async def copy(
        reader: asyncio.StreamReader, writer: asyncio.StreamWriter, seen: bytearray | None
    ) -> None:
        while data := await reader.read(4096):
            if seen is not None:
                seen += data
            writer.write(data)
        writer.close()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task
        tasks.add(task)
        inner_reader, inner_writer = await asyncio.open_connection("127.0.0.1", port)
        try:
            await asyncio.gather(copy(reader, inner_writer, sent), copy(inner_reader, writer, None))
        except asyncio.CancelledError:
            pass  # the test is over
        finally:
            writer.close()
            inner_writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    try:
        yield server.sockets[0].getsockname()[1], sent
    finally:
        server.close()
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


def pass_time(seconds: float) -> None:
    """Let the clock of the running loop jump: whoever has waited for less gives up at once.

    A timeout that is short enough to be waited for may pass by itself whenever the machine stands
    still; and a long one that is made to pass costs no time.
    """
    loop = asyncio.get_running_loop()
    before = loop.time
    vars(loop)["time"] = lambda: before() + seconds


async def happens(test: Callable[[], Any]) -> None:
    """Wait until something is so; fails after two minutes."""
    began = time.monotonic()
    while not test():
        assert time.monotonic() - began < WITHIN_S
        await asyncio.sleep(0.002)


def free_port() -> int:
    """A port that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


@asynccontextmanager
async def simulator(registers: list[int]) -> AsyncIterator[int]:
    """The server that comes with pymodbus; input and holding registers 0 ... hold `registers`."""
    block = [SimData(0, values=registers, datatype=DataType.REGISTERS)]
    bits = [SimData(0, values=[False] * 16, datatype=DataType.BITS)]
    server = ModbusTcpServer(
        SimDevice(1, simdata=(bits, bits, block, block)), address=("127.0.0.1", port := free_port())
    )
    stop: Any = server.shutdown
    await server.serve_forever(background=True)
    try:
        yield port
    finally:
        await stop()


@asynccontextmanager
async def second_server(registers: list[int]) -> AsyncIterator[int]:
    """The server of pyModbusTCP, an implementation of its own, in threads."""
    bank = DataBank(h_regs_size=len(registers), i_regs_size=len(registers))
    bank.set_holding_registers(0, registers)
    bank.set_input_registers(0, registers)
    server = ModbusServer("127.0.0.1", port := free_port(), no_block=True, data_bank=bank)
    server.start()
    try:
        yield port
    finally:
        await asyncio.to_thread(server.stop)


class Scans(list[Scan]):
    """Scans as delivered, and a way to wait for the one a test wants."""

    def __init__(self) -> None:
        super().__init__()
        self._more = asyncio.Event()

    def take(self, scan: Scan) -> None:
        self.append(scan)
        self._more.set()

    async def until(self, wanted: Callable[[Scan], bool], count: int = 1) -> None:
        """Until `count` scans from now on are as wanted; fails when none comes any more."""
        seen = len(self)
        while sum(wanted(scan) for scan in self[seen:]) < count:
            self._more.clear()
            async with asyncio.timeout(WITHIN_S):
                await self._more.wait()
