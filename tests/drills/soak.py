"""A gateway with everything connected, left alone: whether its memory stays flat.

    python -m tests.drills.soak --minutes 60
    python -m tests.drills.soak --minutes 60 --filled 25       with a history of 25 hours
    python -m tests.drills.soak --minutes 25 --interval 0.1    four hours' rows, ten a second

Broker, time-series server, BACnet/IP, a controller polled every second, every kind of page open
with its stream, somebody who turns from page to page, looks at trends and exports, and somebody who
acts on alarms. Prints its memory over time and the slope (Theil-Sen, 95 % interval, as drifts are
told) of all but the first third, in which caches and the learnt picture fill.
"""

from __future__ import annotations

import argparse
import asyncio
import itertools
import json
import os
import sys
import tempfile
import time
from collections.abc import AsyncIterator, Sequence
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import httpx
import numpy as np

from gateway import logs
from gateway.run import run_gateway
from gateway.settings import Settings
from gateway.web.drift import drift_of
from tests.publish.bacnet_site import free_udp_port
from tests.whole.program import LIMITS

from .counting import counting, site_at
from .filled import fill
from .running import person, sinks
from .servers import broker_in, series_in

ROOT = Path(__file__).parents[2]
STREAMS = ("", "/overview", "/loops/l0", "/transducers/p0", "/findings", "/site", "/frame")
PAGES = (
    "/", "/loops/l0", "/transducers/p0", "/findings", "/alarms", "/checks", "/system",
    "/api/v1/history?series=transducer/p0&series=loop/l0/combined", "/api/v1/alarms/performance",
    "/api/v1/journal", "/api/v1/happenings?loop=l0", "/api/v1/transducers/p0/condition",
    "/api/v1/export?rows=minutes&loop=l0",
)  # fmt: skip
"""Looked at one after the other, again and again."""
SITE = "soak"
LOOK_S = 5.0
CONNECTED_S = 30.0
ACT_S = 10.0
HOURS_A_DAY = 24.0
AS_A_SERVICE = {"MALLOC_ARENA_MAX": "1"}
"""As the unit file and the container have it."""


@dataclass(frozen=True)
class Soak:
    """memory_MB at each of times_s; how many rows were recorded, pages asked for, actions done."""

    times_s: list[float]
    memory_MB: list[float]
    rows: int
    asked: int = 0
    acted: int = 0

    @property
    def slope(self) -> tuple[float, float, float]:
        """MB an hour, and its 95 % interval."""
        keep = [k for k, t in enumerate(self.times_s) if t >= self.times_s[-1] / 3]
        times, memory = (np.array(part)[keep] for part in (self.times_s, self.memory_MB))
        found = drift_of(times, memory, 0.0, np.inf, shortest_s=0.0)
        if found is None:
            raise ValueError(f"{len(keep)} looks at the memory tell no slope")
        per_day = (found.per_day, found.low, found.high)
        low, middle, high = sorted(value / HOURS_A_DAY for value in per_day)
        return middle, low, high

    def lines(self) -> str:
        """For people."""
        at = np.linspace(0, len(self.times_s) - 1, 13).round().astype(int).tolist()
        shown = ", ".join(f"{self.times_s[k] / 60:.0f}: {self.memory_MB[k]:.1f}" for k in at)
        middle, low, high = self.slope
        return (
            f"Memory of the gateway, MB by minute: {shown}\n"
            f"Slope after the first third: {middle:+.2f} MB an hour"
            f" (95 % interval {low:+.2f} to {high:+.2f}); {self.rows} rows recorded,"
            f" {self.asked} pages and answers, {self.acted} actions"
        )


async def soak(
    folder: Path, minutes: float, interval_s: float = 1.0, filled_h: float = 0.0
) -> Soak:
    """Run and look; interval_s: from row to row; filled_h: hours of history that are there."""
    async with AsyncExitStack() as stack:
        broker = await stack.enter_async_context(broker_in(folder / "broker"))
        series = await stack.enter_async_context(series_in(folder / "series"))
        peer = await stack.enter_async_context(counting())
        plan = {
            "state_dir": str(folder / "state"), "http_port": 0, "mqtt_host": "127.0.0.1",
            "mqtt_port": broker.port, "influx_url": series.url, "bacnet_enabled": True,
            "bacnet_port": free_udp_port(),
        }  # fmt: skip
        if filled_h > 0:
            here = site_at(peer.port, SITE, interval_s)
            await asyncio.to_thread(fill, folder / "state", here, filled_h, interval_s)
        child, address = await stack.enter_async_context(_gateway(peer.port, interval_s, plan))
        client = await stack.enter_async_context(
            httpx.AsyncClient(base_url=address, timeout=30, limits=LIMITS)
        )
        ada = person(client, folder / "state")
        async with reading(client, STREAMS), ada.busy(ACT_S):
            times, memory, asked = await _looked(client, child, 60 * minutes)
        now = await _connected(client)
        return Soak(times, memory, int(now["store"]["sent"]), asked, len(ada.confirmed))


async def _connected(client: httpx.AsyncClient) -> dict[str, dict[str, Any]]:
    """Receivers by name, soon all of them connected; RuntimeError."""
    began = time.monotonic()
    while True:
        now = await sinks(client)
        if all(one["connected"] for one in now.values()):
            return now
        if time.monotonic() - began > CONNECTED_S:
            raise RuntimeError(f"not everything was connected: {now}")
        await asyncio.sleep(0.2)


async def _looked(
    client: httpx.AsyncClient, child: int, seconds: float
) -> tuple[list[float], list[float], int]:
    """Times and memory, and how much was asked for meanwhile: every page once at the least."""
    times, memory, began = [], [], time.monotonic()
    for asked, page in enumerate(itertools.cycle(PAGES)):
        await asyncio.sleep(min(LOOK_S, seconds / 30))
        times.append(time.monotonic() - began)
        memory.append(own_memory(child))
        (await client.get("/metrics")).raise_for_status()
        (await client.get(page)).raise_for_status()
        if times[-1] >= seconds and asked + 1 >= len(PAGES):
            return times, memory, 2 * (asked + 1)
    raise AssertionError


def own_memory(pid: int) -> float:
    """What a process has for itself, in memory or swapped out, MB.

    Not what it shares with files (code): the system takes and gives that as it likes.
    """
    status = Path(f"/proc/{pid}/status").read_text(encoding="ascii")
    lines = dict(line.split(":", 1) for line in status.splitlines())
    return sum(int(lines[name].split()[0]) for name in ("RssAnon", "VmSwap")) * 1024 / 1e6


@asynccontextmanager
async def reading(client: httpx.AsyncClient, streams: Sequence[str]) -> AsyncIterator[None]:
    """These streams of pages are read; RuntimeError when one has ended meanwhile."""

    async def read(path: str) -> None:
        async with client.stream("GET", f"/api/v1/stream{path}", timeout=None) as answer:
            answer.raise_for_status()
            async for _ in answer.aiter_lines():
                pass

    readers = [asyncio.create_task(read(path), name=f"reader {path}") for path in streams]
    try:
        yield
        if any(reader.done() for reader in readers):
            raise RuntimeError(f"a stream has ended: {readers}")
    finally:
        for reader in readers:
            reader.cancel()
        await asyncio.gather(*readers, return_exceptions=True)


@asynccontextmanager
async def _gateway(
    port: int, interval_s: float, plan: dict[str, object]
) -> AsyncIterator[tuple[int, str]]:
    """Its process id and the address of its page."""
    child = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "tests.drills.soak", "--child", str(port), str(interval_s),
        json.dumps(plan),
        stdout=asyncio.subprocess.PIPE, cwd=ROOT, env={**os.environ, **AS_A_SERVICE},
    )  # fmt: skip
    assert child.stdout is not None
    try:
        yield child.pid, (await child.stdout.readline()).decode().strip()
    finally:
        child.terminate()
        await child.wait()


def _child(port: int, interval_s: float, plan: dict[str, object]) -> None:
    logs.configure("json", "error")
    here = site_at(port, SITE, interval_s)
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
    parser.add_argument("--out", type=Path, help="every look at the memory, as JSON, to this file")
    parser.add_argument("--interval", type=float, default=1.0, help="seconds from row to row")
    parser.add_argument("--filled", type=float, default=0.0, help="hours of history at the start")
    parser.add_argument("--child", nargs=3, help=argparse.SUPPRESS)
    asked = parser.parse_args(words)
    if asked.child:
        _child(int(asked.child[0]), float(asked.child[1]), json.loads(asked.child[2]))
        return
    with tempfile.TemporaryDirectory() as folder:
        found = asyncio.run(soak(Path(folder), asked.minutes, asked.interval, asked.filled))
    if asked.out:
        asked.out.write_text(json.dumps(asdict(found)), encoding="ascii")
    print(found.lines())  # noqa: T201 - asked for


if __name__ == "__main__":
    main()
