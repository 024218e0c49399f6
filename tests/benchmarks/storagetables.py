"""What the history takes on disk, and how soon it is drawn.

    python -m tests.benchmarks.storagetables           some minutes, 3 GB in a temporary folder
    python -m tests.benchmarks.storagetables --quick   a tenth of the rows, under a minute

Rows a second are written by the store itself; sizes are pages of its file. Trends are asked of the
HTTP interface over loopback, on one connection, with the file in the cache of the system; server
and reader are in one process.
"""

from __future__ import annotations

import argparse
import asyncio
import statistics
import tempfile
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import httpx
import numpy as np

from gateway.export.archive import Archive
from gateway.live import Live
from gateway.measure.blocks import Block, Floats
from gateway.measure.measure import Measure
from gateway.plant.site import Site
from gateway.record import rollup
from gateway.record.retention import DAY_MS, Keep, prune
from gateway.record.store import Store, open_store
from gateway.replay.archived import FOLDER
from gateway.settings import Settings
from gateway.web.past import stored
from gateway.web.serve import serve_past
from tests.sites import site, transducer

from .tables import table

SIZES = (8, 200, 2000)
DAY_S = 86_400
START = 1_767_225_600.0
"""A midnight: 1 January 2026."""
SEED = 5
A_CONTROLLER = 8
"""Transducers on one controller, in loops of two."""


def main(words: Sequence[str] | None = None) -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        "python -m tests.benchmarks.storagetables", description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    parser.add_argument("--quick", action="store_true", help="a tenth of the rows")
    parser.add_argument("--only", nargs="*", choices=("disk", "trends"), default=("disk", "trends"))
    asked = parser.parse_args(words)
    if "disk" in asked.only:
        print(sizes(1 if asked.quick else 4) + "\n", flush=True)
    if "trends" in asked.only:
        print(speeds(3 if asked.quick else 30), flush=True)


def plant(transducers: int) -> Site:
    """Loops of two, each with what its controller makes of the inputs, feedback and so on."""
    controllers: dict[str, Any] = {}
    nouns: dict[str, Any] = {}
    loops: dict[str, Any] = {}
    for c in range(-(-transducers // A_CONTROLLER)):
        points: dict[str, Any] = {}
        for k in range(min(A_CONTROLLER, transducers - c * A_CONTROLLER)):
            points |= {f"ai{k}": {"table": "input", "address": k}}
            points |= {
                f"pv{k}": {"table": "holding", "address": 2 * k, "type": "float32", "unit": "Pa"}
            }
            nouns[f"dp-{c}-{k}"] = transducer(f"c{c}.ai{k}", controller_value=f"c{c}.pv{k}")
            if k % 2:
                for address, name in enumerate(
                    ("feedback", "setpoint", "output", "running"), 100 + 4 * k
                ):
                    points |= {f"{name}{k}": {"table": "holding", "address": address}}
                loops[f"l-{c}-{k}"] = {
                    "transducers": [f"dp-{c}-{k - 1}", f"dp-{c}-{k}"], "combine": "average",
                    **{n: f"c{c}.{n}{k}" for n in ("feedback", "setpoint", "output", "running")},
                }  # fmt: skip
        controllers[f"c{c}"] = {"host": f"10.1.{c // 250}.{c % 250}", "points": points}
    return site(nouns, loops, controllers)


def rows(here: Site, count: int, start: float, step: float) -> Block:
    """Plausible registers: counts that move with a noise of 0.1 %, the rest mostly still."""
    chance = np.random.default_rng([SEED, int(start)])
    refs = [f"{c}.{p}" for c, noun in here.controllers.items() for p in noun.points]
    values: Floats = np.empty((count, len(refs)))
    slow = np.cumsum(chance.normal(0, 3, count))
    for k, ref in enumerate(refs):
        name = ref.partition(".")[2]
        noise = np.round(slow + chance.normal(0, 20, count))
        if name.startswith("ai"):
            values[:, k] = np.clip(12_000 + noise, 0, 30_000)
        elif name.startswith("pv"):
            values[:, k] = np.float32(35.0 + noise / 240)
        else:
            values[:, k] = {"f": 35.0, "s": 40.0, "o": 3800.0, "r": 1.0}[name[0]]
    time_s: Floats = start + step * np.arange(count, dtype=np.float64)
    return Block(time_s, values, np.zeros(values.shape, dtype=np.uint8))


def write(store: Store, here: Site, count: int, start: float, step: float = 1.0) -> None:
    """Rows in commits of some megabytes."""
    points = sum(len(noun.points) for noun in here.controllers.values())
    piece = max(1, min(3600, 400_000 // points))
    measure = Measure(here)
    for k in range(0, count, piece):
        block = rows(here, min(piece, count - k), start + k * step, step)
        store.write([(block, measure.examine(block))])


def pages(store: Store) -> int:
    """Bytes of the file that are in use."""

    def asked(connection: Any) -> int:
        whole, free, size = (
            connection.execute(f"PRAGMA {name}").fetchone()[0]
            for name in ("page_count", "freelist_count", "page_size")
        )
        return int((whole - free) * size)

    return store.do(asked)


def sizes(share: int) -> str:
    """A table: bytes a row, and gigabytes for the days that each class is kept."""
    cells = [_size(transducers, share) for transducers in SIZES]
    keep = Settings(_env_file=None)
    heads = (
        "transducers", "loops", "bytes a row", "rows, GB a day", "minutes, GB a year",
        "hours, GB a year", "all, GB", "archive, GB a day",
    )  # fmt: skip
    days = f"{keep.keep_days:g}, {keep.keep_minutes_days:g} and {keep.keep_hours_days:g} days"
    head = f"Disk, a row a second; all: as long as each is kept unless set otherwise ({days})"
    return head + "\n\n" + table(heads, cells)


def _size(transducers: int, share: int) -> tuple[str, ...]:
    here = plant(transducers)
    count = 3600 * share // max(1, transducers // 100)
    keep = Settings(_env_file=None)
    with tempfile.TemporaryDirectory() as folder, open_store(Path(folder), here) as store:
        empty = pages(store)
        write(store, here, count, START)
        row = (pages(store) - empty) / count
        write(store, here, count // 2, START + DAY_S)
        # Of two files, so that what a file has at its ends does not count.
        longer, shorter = (_archived(store, here, START + day * DAY_S) for day in (0, 1))
        archived = (longer - shorter) / (count - count // 2)
    with tempfile.TemporaryDirectory() as folder, open_store(Path(folder), here) as store:
        hours = 48 if transducers < 1000 else 6
        write(store, here, 60 * hours + 2, START, 60.0)
        while (store.do(rollup.rolled_to) or 0) < (START + 3600 * hours) * 1000:
            store.do(rollup.roll, round((START + 3600 * hours + 60) * 1000))
        whole = pages(store)
        store.do(lambda c: c.execute("DELETE FROM hours"))
        hourly = (whole - pages(store)) / hours
        store.do(lambda c: c.execute("DELETE FROM rollups"))
        minutely = (whole - pages(store)) / hours - hourly
    day, year = 1e-9 * row * DAY_S, 1e-9 * 24 * 365
    all_days = (
        day * keep.keep_days
        + minutely * year * keep.keep_minutes_days / 365
        + hourly * year * keep.keep_hours_days / 365
    )
    figures = (day, minutely * year, hourly * year, all_days, 1e-9 * archived * DAY_S)
    said = [f"{f:.0f}" if f >= 10 else f"{f:.2g}" for f in figures]
    return (str(transducers), str(len(here.loops)), f"{row:.0f}", *said)


def _archived(store: Store, here: Site, day: float) -> int:
    """Bytes of a day's file."""
    folder, start = store.file.parent / FOLDER, round(day * 1000)
    before = set(folder.iterdir()) if folder.exists() else set()
    asyncio.run(_safe(store, here, start))
    (file,) = set(folder.iterdir()) - before
    return file.stat().st_size


async def _safe(store: Store, here: Site, start: int) -> None:
    await Archive(store.file, here)(start, start + DAY_MS)


def speeds(days: int) -> str:
    """A table: milliseconds until a trend is there."""
    here = plant(8)
    with tempfile.TemporaryDirectory() as folder, open_store(Path(folder), here) as store:
        end = START + 400 * DAY_S
        # Long ago a row a quarter of an hour does: what is kept of a minute has one size.
        write(store, here, 4 * 24 * (400 - days), START, 900.0)
        began = time.perf_counter()
        write(store, here, days * DAY_S, end - days * DAY_S)
        took = time.perf_counter() - began
        while (store.do(rollup.rolled_to) or 0) < (end - 3600) * 1000:
            store.do(rollup.roll, round(end * 1000))
        asyncio.run(prune(store, Keep(days, 450, 3650), end))
        size, found = pages(store), asyncio.run(_asked(store, here, end, days))
    head = (
        f"Trends over HTTP in 600 buckets, 8 transducers, {days} days of rows a second "
        f"({days * DAY_S} rows, written at {days * DAY_S / took:.0f} a second), 400 days of "
        f"minutes and hours; the file has {size / 1e9:.2f} GB. Median and longest of 9, ms; "
        "of a core: its time alone, which is what an idle machine takes"
    )
    return head + "\n\n" + table(("span", "series", "median", "longest", "of a core"), found)


async def _asked(store: Store, here: Site, end: float, days: int) -> list[tuple[str, ...]]:
    settings, address = Settings(_env_file=None, http_port=0), asyncio.Queue[str]()
    serving = serve_past(Live(here), stored(store.file), settings, address.put_nowait)
    task = asyncio.create_task(serving, name="pages")
    try:
        async with httpx.AsyncClient(base_url=await address.get()) as client:
            return [await _one(client, here, end, *what) for what in _spans(days)]
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


def _spans(days: int) -> Iterator[tuple[str, int, int]]:
    for span, seconds in (
        ("10 minutes", 600), ("an hour", 3600), ("a day", DAY_S), (f"{days} days", days * DAY_S),
        ("a year", 365 * DAY_S),
    ):  # fmt: skip
        for series in (1, 8):
            yield span, seconds, series


async def _one(
    client: httpx.AsyncClient, here: Site, end: float, span: str, seconds: int, series: int
) -> tuple[str, ...]:
    names = [f"transducer/{key}" for key in list(here.transducers)[:series]]
    query: list[tuple[str, str | int | float | bool | None]] = []
    query += [("series", name) for name in names]
    query += [("from", str(end - seconds)), ("to", str(end)), ("buckets", "600")]
    took, worked = [], []
    for _ in range(10):
        began, work = time.perf_counter(), time.process_time()
        answer = await client.get("/api/v1/history", params=query)
        took.append(1000 * (time.perf_counter() - began))
        worked.append(1000 * (time.process_time() - work))
        points = sum(answer.json()["series"][0]["count"])
    if answer.status_code != 200 or not points:
        raise RuntimeError(f"{span}: {answer.status_code}, {points} readings")
    said = statistics.median(took[1:]), max(took[1:]), statistics.median(worked[1:])
    return span, str(series), *(f"{ms:.1f}" for ms in said)


if __name__ == "__main__":
    main()
