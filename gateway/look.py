"""One look at the plant for a person: every controller once, or raw registers until told to stop.

A site or a controller enters; what `tables` prints leaves.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Iterator
from contextlib import nullcontext, suppress
from itertools import product
from math import nan
from typing import Any

from rich.console import Console
from rich.live import Live as LiveDisplay
from rich.progress import Progress

from gateway import tables
from gateway.errors import LinkError
from gateway.live import Snapshot
from gateway.measure.blocks import Readings
from gateway.measure.measure import Measure
from gateway.plant.controllers import Controller, Point, Table
from gateway.plant.site import Site
from gateway.plant.units import from_pa, in_digits, to_pa
from gateway.poll.poller import read_once
from gateway.poll.rows import Rows
from gateway.poll.scan import Scan
from gateway.poll.watch import Observation, RegisterWatch
from gateway.poll.words import decode, encode


def read_all(site: Site) -> list[Scan]:
    """Every controller once, all at the same time, with progress on a terminal."""

    async def read() -> list[Scan]:
        with Progress(console=Console(stderr=True), transient=True) as progress:
            bar = progress.add_task("Reading controllers", total=len(site.controllers))

            async def one(key: str, controller: Controller) -> Scan:
                scan = await read_once(key, controller)
                progress.advance(bar)
                return scan

            return await asyncio.gather(*(one(k, c) for k, c in site.controllers.items()))

    return asyncio.run(read())


def compare(site: Site, scans: list[Scan]) -> dict[str, Any]:
    """What one scan of every controller says: our values beside the controller's own."""
    rows = Rows(site)
    for scan in scans:
        rows.take(scan)
    now = time.time()
    readings = Measure(site).examine(rows.row(now))
    data = tables.live_data(site, Snapshot(1, now, readings, (), rows.links), scans)
    return data | {"hints": list(_hints(site, scans, readings))}


def _hints(site: Site, scans: list[Scan], readings: Readings) -> Iterator[str]:
    """What to look at where the controller's own value is off by more than the tolerance."""
    read = {
        f"{scan.controller}.{name}": value
        for scan in scans
        for name, value in zip(site.controllers[scan.controller].points, scan.values, strict=True)
    }
    for (key, noun), ours in zip(site.transducers.items(), readings.pressure[0], strict=True):
        if noun.controller_value is None:
            continue
        point, value = site.point(noun.controller_value), read.get(noun.controller_value, nan)
        unit, far = point.unit or noun.unit, noun.tolerance_pct_span / 100 * noun.span_pa
        if abs(to_pa(value, unit) - ours) > far:
            look = (
                f"{key}: the controller's own value is {in_digits(value)} {unit}, ours "
                f"{in_digits(from_pa(ours, unit))} {unit}. "
            )
            orders = _orders(point, value, lambda v: abs(to_pa(v, unit) - ours) <= far)  # noqa: B023
            yield look + (orders or _ELSEWHERE).format(ref=noun.controller_value)


_ELSEWHERE = (
    "Compare the range, unit and live zero of the input in the controller with the site file, and "
    "address, type, scale and unit of {ref} with the controller's manual"
)


def _orders(point: Point, value: float, fits: Callable[[float], bool]) -> str:
    """The order of words and bytes in which the same registers hold what they should; or ""."""
    words = encode(point, value)
    for word, byte in product(("high-first", "low-first"), repeat=2):
        if fits(decode(point.model_copy(update={"word_order": word, "byte_order": byte}), words)):
            bytes_ = f' and byte_order = "{byte}"' if byte != point.byte_order else ""
            return f'It fits with word_order = "{word}"{bytes_} for {{ref}}'
    return ""


async def watch_registers(
    controller: Controller,
    asked: tuple[Table, int, int],
    stop: asyncio.Event,
    *,
    moving: bool,
    as_json: bool,
) -> None:
    """Show rounds until `stop` is set; the last one stays, and is all that goes into a file.

    asked: table, first and last address. LinkError when nothing could be read.
    """

    async def pause(seconds: float) -> None:
        with suppress(TimeoutError):
            await asyncio.wait_for(stop.wait(), seconds)

    console = tables.console()
    moves = console.is_terminal and not as_json
    seen: Observation | None = None
    with LiveDisplay(console=console, auto_refresh=False) if moves else nullcontext() as display:
        async with RegisterWatch(controller, *asked, sleep=pause) as watch:
            async for seen in watch:
                if as_json:
                    tables.print_json(tables.register_data(seen), indent=None)
                elif display:
                    rows = tables.register_table(seen, moving_only=moving)
                    display.update(rows, refresh=True)
                if stop.is_set():
                    break
    if seen is None or not tables.any_read(seen):
        trouble = seen.trouble if seen else ""
        raise LinkError(f"nothing could be read: {trouble or 'no such registers'}")
    if not as_json and not moves:
        console.print(tables.register_table(seen, moving_only=moving))
