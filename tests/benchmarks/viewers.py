"""Whether people who look at pages hold up the polls.

    python -m tests.benchmarks.viewers                 about two minutes
    python -m tests.benchmarks.viewers --seconds 10    shorter stretches

A gateway on the demo plant, with a year of history, in this process; plant and viewers in others.
Measured is by how much each poll of each controller begins later than it is due, and, since a poll
may be due at any time, how late the event loop wakes twenty times a second. First nobody looks,
then thirty viewers hold a live stream each and one asks for a year of a loop again and again; so by
turns.
"""

from __future__ import annotations

import argparse
import asyncio
import sys
import tempfile
import time
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from functools import partial
from pathlib import Path
from unittest.mock import patch

import httpx
import numpy as np

from gateway.demo.control import run_plant
from gateway.measure.blocks import Block
from gateway.measure.measure import Measure
from gateway.plant.site import Site
from gateway.poll.poller import poll_controller
from gateway.record import rollup
from gateway.record.store import open_store
from gateway.settings import Settings
from tests.whole.program import archive, free_ports, gateway

from .tables import table

DAY_S = 86_400
VIEWERS = 30
EVERY_S = 0.05
"""A poll may be due at any time: the loop is asked this often how late it is."""
TURNS = 3
YEAR = "series=loop/stair-b/combined&series=loop/stair-b/feedback&series=loop/stair-b/setpoint"
YEAR += "&series=loop/stair-b/output&series=transducer/dp-201&series=transducer/dp-202"


def main(words: Sequence[str] | None = None) -> None:
    """Measure and print, or be one of the other processes."""
    parser = argparse.ArgumentParser(
        "python -m tests.benchmarks.viewers", description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    parser.add_argument("--seconds", type=float, default=20.0, help="of a stretch")
    parser.add_argument("--plant", nargs="*", type=int, help=argparse.SUPPRESS)
    parser.add_argument("--look", help=argparse.SUPPRESS)
    asked = parser.parse_args(words)
    if asked.plant:
        asyncio.run(run_plant(_on(asked.plant), seed=3, http_port=0, ready=asyncio.Event()))
    elif asked.look:
        asyncio.run(_look(asked.look))
    else:
        print(asyncio.run(_measured(asked.seconds)), flush=True)


def _on(ports: Sequence[int]) -> Site:
    """The demo's site with its controllers on these ports."""
    site = archive()
    moved = zip(site.controllers.items(), ports, strict=True)
    controllers = {key: noun.model_copy(update={"port": port}) for (key, noun), port in moved}
    return site.model_copy(update={"controllers": controllers})


async def _measured(seconds: float) -> str:
    ports = free_ports(3)
    site = _on(ports)
    polls = Polls()
    polling = patch("gateway.watching.poll_controller", partial(poll_controller, sleep=polls.sleep))
    with tempfile.TemporaryDirectory() as folder, polling:
        size = await asyncio.to_thread(_filled, Path(folder), site)
        settings = Settings(state_dir=Path(folder), http_port=0)
        async with _process("--plant", *map(str, ports)), gateway(site, settings) as client:
            address = str(client.base_url)
            await asyncio.sleep(3)
            found: dict[str, list[float]] = {}
            for _ in range(TURNS):
                await _measured_while("nobody looks", seconds, polls, found)
                async with _process("--look", address):
                    await asyncio.sleep(2)
                    await _measured_while("thirty look", seconds, polls, found)
            years = await _years(address)
    rows = [_row(name, late) for name, late in found.items()]
    head = (
        f"How late, ms; {TURNS} stretches of {seconds:g} s each, by turns; "
        f"{VIEWERS} live streams, and a year of six series asked for again and again "
        f"({1000 * years:.0f} ms each, {size / 1e6:.0f} MB of history)"
    )
    return head + "\n\n" + table(("", "times", "median", "99 %", "99.9 %", "latest"), rows)


def _filled(folder: Path, site: Site) -> int:
    """A year of hours: a row a quarter of an hour does, what is kept of an hour has one size."""
    end = time.time() // 3600 * 3600 - 3600
    with open_store(folder, site, events=False) as store:
        measure, points = Measure(site), sum(len(c.points) for c in site.controllers.values())
        chance = np.random.default_rng(3)
        for start in np.arange(end - 365 * DAY_S, end, 7 * DAY_S):
            when = np.arange(start, min(start + 7 * DAY_S, end), 900.0)
            values = 12_000 + chance.normal(0, 20, (len(when), points))
            block = Block(when, values, np.zeros(values.shape, dtype=np.uint8))
            store.write([(block, measure.examine(block))])
        while (store.do(rollup.rolled_to) or 0) < (end - 7200) * 1000:
            store.do(rollup.roll, round(end * 1000))
        return store.file.stat().st_size


@asynccontextmanager
async def _process(*words: str) -> AsyncIterator[None]:
    """This program again, as something else, while it lasts."""
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "tests.benchmarks.viewers", *words
    )
    try:
        yield
    finally:
        process.terminate()
        await process.wait()


class Polls:
    """By how much polls began later than they were due, seconds."""

    def __init__(self) -> None:
        self.late: list[float] = []

    async def sleep(self, seconds: float) -> None:
        """What a poller waits with until its next poll is due."""
        due = time.monotonic() + seconds
        await asyncio.sleep(seconds)
        self.late.append(time.monotonic() - due)


async def _measured_while(
    what: str, seconds: float, polls: Polls, found: dict[str, list[float]]
) -> None:
    polls.late.clear()
    loop = await _lateness(seconds)
    found.setdefault(f"polls, {what}", []).extend(polls.late)
    found.setdefault(f"event loop, {what}", []).extend(loop)


async def _lateness(seconds: float) -> list[float]:
    """Seconds by which the loop woke too late, again and again."""
    loop = asyncio.get_running_loop()
    late: list[float] = []
    due, end = loop.time(), loop.time() + seconds
    while due < end:
        due += EVERY_S
        await asyncio.sleep(due - loop.time())
        late.append(loop.time() - due)
    return late


async def _years(address: str) -> float:
    """Seconds that a year takes when nobody else looks, median of 5."""
    took = []
    async with httpx.AsyncClient(timeout=30) as client:
        for _ in range(5):
            began = time.perf_counter()
            await _a_year(client, address)
            took.append(time.perf_counter() - began)
    return float(np.median(took))


async def _a_year(client: httpx.AsyncClient, address: str) -> None:
    now = time.time()
    path = f"{address}api/v1/history?{YEAR}&from={now - 365 * DAY_S}&to={now}&buckets=1200"
    (await client.get(path)).raise_for_status()


async def _look(address: str) -> None:
    """Thirty streams of every kind, and a year again and again."""
    kinds = ("overview", "loops/stair-b", "loops/exhaust-plenum", "transducers/dp-201", "findings")
    async with httpx.AsyncClient(timeout=60) as client, asyncio.TaskGroup() as tasks:
        for k in range(VIEWERS):
            tasks.create_task(_follow(client, f"{address}api/v1/stream/{kinds[k % len(kinds)]}"))
        while True:
            await _a_year(client, address)


async def _follow(client: httpx.AsyncClient, path: str) -> None:
    async with client.stream("GET", path) as answer:
        async for _ in answer.aiter_bytes():
            pass


def _row(name: str, late: Sequence[float]) -> tuple[str, ...]:
    ms = 1000 * np.array(late)
    return (
        name,
        str(len(late)),
        *(f"{v:.1f}" for v in (*np.percentile(ms, (50, 99, 99.9)), ms.max())),
    )


if __name__ == "__main__":
    main()
