"""What a gateway of a large site takes of its machine, with everything connected.

    python -m tests.benchmarks.largesite                      2,000 transducers, some minutes
    python -m tests.benchmarks.largesite --transducers 200

Controllers of eight transducers each are polled once a second over Modbus TCP on loopback; loops of
two, most of them with a finding, since the controllers know nothing of control. The gateway is a
process of its own, so are the controllers, the broker and the time-series server. Told are the
processor time and the memory of the gateway alone, how many of the polls that were due were made,
and how long a small answer took, asked for twice a second.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import struct
import sys
import tempfile
import time
from collections.abc import AsyncIterator, Sequence
from contextlib import AsyncExitStack, asynccontextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import numpy as np

from gateway import logs
from gateway.run import run_gateway
from gateway.settings import Settings
from tests.drills.servers import broker_in, series_in
from tests.drills.soak import AS_A_SERVICE, own_memory, reading
from tests.poll.peers import answer
from tests.publish.bacnet_site import free_udp_port

from .storagetables import A_CONTROLLER, plant
from .tables import table

CONNECTED = ("nothing", "mqtt", "series", "bacnet", "pages", "everything")
STREAMS = ("/overview", "/frame", "/site")
SETTLE_S = 15.0
"""Until everything has been told for the first time."""
ASK_S = 0.5


@dataclass(frozen=True)
class Taken:
    """core: share of one. polls: made, of those due. answers_ms: of /healthz."""

    core: float
    memory_MB: float
    polls: float
    rows_per_s: float
    answers_ms: tuple[float, ...]

    @property
    def cells(self) -> tuple[str, ...]:
        """For a table."""
        share, made = f"{100 * self.core:.0f} %", f"{100 * self.polls:.1f} %"
        ms = np.median(self.answers_ms), max(self.answers_ms)
        return (share, f"{self.memory_MB:.0f}", made, f"{self.rows_per_s:.2f}",
                *(f"{value:.0f}" for value in ms))  # fmt: skip


def main(words: Sequence[str] | None = None) -> None:
    """Measure and print, or be one of the other processes."""
    parser = argparse.ArgumentParser(
        "python -m tests.benchmarks.largesite", description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    parser.add_argument("--transducers", type=int, default=2000)
    parser.add_argument("--seconds", type=float, default=30.0, help="of each line")
    parser.add_argument("--only", nargs="*", choices=CONNECTED, default=CONNECTED)
    parser.add_argument("--controllers", type=int, help=argparse.SUPPRESS)
    parser.add_argument("--gateway", nargs=2, help=argparse.SUPPRESS)
    asked = parser.parse_args(words)
    if asked.controllers:
        asyncio.run(_controllers(asked.controllers))
    elif asked.gateway:
        _gateway(asked.transducers, *map(json.loads, asked.gateway))
    else:
        print(asyncio.run(measured(asked.transducers, asked.seconds, asked.only)), flush=True)


async def measured(transducers: int, seconds: float, lines: Sequence[str]) -> str:
    """The table."""
    controllers = -(-transducers // A_CONTROLLER)
    rows = []
    for connected in lines:
        async with _process("--controllers", str(controllers)) as (_, out):
            ports = [int(word) for word in (await out.readline()).split()]
            taken = await measure(transducers, ports, connected, seconds)
        rows.append((connected, *taken.cells))
    head = (
        f"A gateway with {transducers} transducers behind {controllers} controllers, a poll a "
        f"second; {seconds:g} s a line; an answer: /healthz, ms"
    )
    heads = ("connected", "of a core", "MB", "polls made", "rows a second", "answer", "longest")
    return head + "\n\n" + table(heads, rows)


async def measure(transducers: int, ports: list[int], connected: str, seconds: float) -> Taken:
    """One line."""
    every = connected == "everything"
    async with AsyncExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        plan: dict[str, Any] = {"state_dir": str(folder / "state"), "http_port": 0}
        if every or connected == "mqtt":
            broker = await stack.enter_async_context(broker_in(folder / "broker"))
            plan |= {"mqtt_host": "127.0.0.1", "mqtt_port": broker.port}
        if every or connected == "series":
            series = await stack.enter_async_context(series_in(folder / "series"))
            plan |= {"influx_url": series.url}
        if every or connected == "bacnet":
            plan |= {"bacnet_enabled": True, "bacnet_port": free_udp_port()}
        words = ("--transducers", str(transducers), "--gateway", json.dumps(ports))
        process = _process(*words, json.dumps(plan))
        child, out = await stack.enter_async_context(process)
        address = (await out.readline()).decode().strip()
        client = await stack.enter_async_context(httpx.AsyncClient(base_url=address, timeout=30))
        if every or connected == "pages":
            await stack.enter_async_context(reading(client, STREAMS))
        await asyncio.sleep(SETTLE_S)
        await client.get("/healthz")  # the first answer of all makes ready for the others
        before = await _counted(client, child)
        answers = await _asked(client, seconds)
        after = await _counted(client, child)
        lasted, core, made, due, rows = (b - a for a, b in zip(before, after, strict=True))
        return Taken(
            core / lasted, own_memory(child), made / due, rows / lasted, tuple(answers)
        )  # fmt: skip


async def _counted(client: httpx.AsyncClient, child: int) -> tuple[float, ...]:
    """Now, and so far: processor seconds, polls answered, polls that were due, rows on disk."""
    now = time.monotonic()
    links = (await client.get("/api/v1/links")).json()
    sinks = {one["name"]: one for one in (await client.get("/api/v1/sinks")).json()}
    due = sum(one["polls"] + one["missed_ticks"] for one in links)
    made = sum(one["polls"] - one["failures"] for one in links)
    return now, _spent(child), made, due, sinks["store"]["sent"]


def _spent(pid: int) -> float:
    """Processor seconds of a process so far (proc(5): fields 14 and 15)."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


async def _asked(client: httpx.AsyncClient, seconds: float) -> list[float]:
    """Milliseconds of every answer."""
    took, end = [], time.monotonic() + seconds
    while time.monotonic() < end:
        began = time.perf_counter()
        (await client.get("/healthz")).raise_for_status()
        took.append(1000 * (time.perf_counter() - began))
        await asyncio.sleep(ASK_S)
    return took


@asynccontextmanager
async def _process(*words: str) -> AsyncIterator[tuple[int, asyncio.StreamReader]]:
    """This program again, as something else: its number and what it says."""
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "tests.benchmarks.largesite", *words,
        stdout=asyncio.subprocess.PIPE, env={**os.environ, **AS_A_SERVICE},
    )  # fmt: skip
    assert process.stdout is not None
    try:
        yield process.pid, process.stdout
    finally:
        with suppress(ProcessLookupError):
            process.terminate()
        await process.wait()


async def _controllers(count: int) -> None:
    """So many controllers, whose registers move a little; their ports on standard output."""
    ports = []
    async with AsyncExitStack() as stack:
        for _ in range(count):
            server = await asyncio.start_server(_serve, "127.0.0.1", 0)
            await stack.enter_async_context(server)
            ports.append(server.sockets[0].getsockname()[1])
        sys.stdout.write(" ".join(map(str, ports)) + "\n")
        sys.stdout.flush()
        await asyncio.Event().wait()


async def _serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    with suppress(asyncio.IncompleteReadError, ConnectionError):
        while True:
            request = await reader.readexactly(12)
            function, first, count = struct.unpack(">7xBHH", request)
            writer.write(answer(request, _words(function, first, count)))
    writer.close()


def _words(function: int, first: int, count: int) -> list[int]:
    """Counts on the inputs (function 4); the same pressure as a float, and set points, beside."""
    if function == 4:  # read input registers
        return [15_000 + (int(7 * time.time()) + 3 * k) % 40 for k in range(first, first + count)]
    half = struct.unpack(">HH", struct.pack(">f", 37.5))
    return [half[k % 2] if k < 2 * A_CONTROLLER else 40 for k in range(first, first + count)]


def _gateway(transducers: int, ports: list[int], plan: dict[str, Any]) -> None:
    logs.configure("json", "error")
    here = plant(transducers)
    controllers = {
        key: noun.model_copy(update={"host": "127.0.0.1", "port": port})
        for (key, noun), port in zip(here.controllers.items(), ports, strict=True)
    }

    def ready(address: str) -> None:
        sys.stdout.write(f"{address}\n")
        sys.stdout.flush()

    site = here.model_copy(update={"controllers": controllers})
    asyncio.run(run_gateway(site, Settings(_env_file=None, **plan), ready=ready))


if __name__ == "__main__":
    main()
