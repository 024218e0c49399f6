"""A gateway with everything connected, left alone: whether its memory stays flat.

    python -m tests.drills.soak --minutes 60

Broker, time-series server, BACnet/IP, pages with open streams, a controller polled every second.
Prints its memory over time and the slope of a straight line through all but the first third, in
which caches and the learnt picture fill.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import sys
import tempfile
import time
from collections.abc import AsyncIterator, Sequence
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass
from pathlib import Path

import httpx
import numpy as np

from gateway import logs
from gateway.run import run_gateway
from gateway.settings import Settings
from tests.publish.made import free_port

from .counting import counting, site_at
from .servers import broker_in, series_in

ROOT = Path(__file__).parents[2]
READERS = 3
LOOK_S = 5.0
PAGE = os.sysconf("SC_PAGE_SIZE")


@dataclass(frozen=True)
class Soak:
    """memory_MB at each of times_s; slope in MB an hour over all but the first third."""

    times_s: list[float]
    memory_MB: list[float]
    rows: int

    @property
    def slope(self) -> float:
        """MB an hour."""
        keep = [k for k, t in enumerate(self.times_s) if t >= self.times_s[-1] / 3]
        hours = np.array([self.times_s[k] for k in keep]) / 3600
        return float(np.polyfit(hours, np.array([self.memory_MB[k] for k in keep]), 1)[0])

    def lines(self) -> str:
        """For people."""
        at = np.linspace(0, len(self.times_s) - 1, 13).round().astype(int).tolist()
        shown = ", ".join(f"{self.times_s[k] / 60:.0f}: {self.memory_MB[k]:.1f}" for k in at)
        return (
            f"Memory of the gateway, MB by minute: {shown}\n"
            f"Slope after the first third: {self.slope:+.2f} MB an hour; {self.rows} rows recorded"
        )


async def soak(folder: Path, minutes: float) -> Soak:
    """Run and look."""
    async with AsyncExitStack() as stack:
        broker = await stack.enter_async_context(broker_in(folder / "broker"))
        series = await stack.enter_async_context(series_in(folder / "series"))
        peer = await stack.enter_async_context(counting())
        plan = {
            "state_dir": str(folder / "state"), "http_port": 0, "mqtt_host": "127.0.0.1",
            "mqtt_port": broker.port, "influx_url": series.url, "bacnet_enabled": True,
            "bacnet_port": free_port(),
        }  # fmt: skip
        child, address = await stack.enter_async_context(_gateway(peer.port, plan))
        client = await stack.enter_async_context(httpx.AsyncClient(base_url=address, timeout=30))
        readers = [asyncio.create_task(_read(client), name=f"reader {k}") for k in range(READERS)]
        times, memory, began = [], [], time.monotonic()
        while time.monotonic() - began < 60 * minutes:
            await asyncio.sleep(min(LOOK_S, 60 * minutes / 30))
            times.append(time.monotonic() - began)
            memory.append(_memory(child))
            (await client.get("/metrics")).raise_for_status()
        sinks = {one["name"]: one for one in (await client.get("/api/v1/sinks")).json()}
        if not all(one["connected"] for one in sinks.values()):
            raise RuntimeError(f"not everything was connected: {sinks}")
        for reader in readers:
            reader.cancel()
        await asyncio.gather(*readers, return_exceptions=True)
        return Soak(times, memory, int(sinks["store"]["sent"]))


def _memory(pid: int) -> float:
    """Resident memory of a process, MB."""
    return int(Path(f"/proc/{pid}/statm").read_text(encoding="ascii").split()[1]) * PAGE / 1e6


async def _read(client: httpx.AsyncClient) -> None:
    async with client.stream("GET", "/api/v1/stream", timeout=None) as answer:
        async for _ in answer.aiter_lines():
            pass


@asynccontextmanager
async def _gateway(port: int, plan: dict[str, object]) -> AsyncIterator[tuple[int, str]]:
    """Its process id and the address of its page."""
    child = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "tests.drills.soak", "--child", str(port), json.dumps(plan),
        stdout=asyncio.subprocess.PIPE, cwd=ROOT,
    )  # fmt: skip
    assert child.stdout is not None
    try:
        yield child.pid, (await child.stdout.readline()).decode().strip()
    finally:
        child.terminate()
        await child.wait()


def _child(port: int, plan: dict[str, object]) -> None:
    logs.configure("json", "error")
    here = site_at(port, "soak", interval_s=1.0)
    settings = Settings(_env_file=None, **plan)  # type: ignore[arg-type] # as given by ourselves

    def ready(address: str) -> None:
        sys.stdout.write(f"{address}\n")
        sys.stdout.flush()

    asyncio.run(run_gateway(here, settings, ready=ready))


def main(words: Sequence[str] | None = None) -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(
        "python -m tests.drills.soak", description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--child", nargs=2, help=argparse.SUPPRESS)
    asked = parser.parse_args(words)
    if asked.child:
        _child(int(asked.child[0]), json.loads(asked.child[1]))
        return
    with tempfile.TemporaryDirectory() as folder:
        print(asyncio.run(soak(Path(folder), asked.minutes)).lines())  # noqa: T201 - asked for


if __name__ == "__main__":
    main()
