"""The pictures of the README, taken of the demo plant with two faults.

    python -m tests.web.pictured                 about four minutes; writes config/pictures

A month of the plant is simulated and recorded as the gateway would have done it: a zero that has
drifted for three weeks, and, in the last half hour, a wire that breaks. Then plant and gateway run,
and a browser looks.
"""

from __future__ import annotations

import asyncio
import tempfile
import time
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, asynccontextmanager, suppress
from pathlib import Path

import numpy as np
from playwright.async_api import Browser, Page

from gateway.alarm.machine import Alarms
from gateway.demo.history import answer
from gateway.demo.plant import Plant
from gateway.demo.registers import after_registers
from gateway.demo.server import station
from gateway.diagnose.diagnose import Diagnosis
from gateway.diagnose.picture import to_dict
from gateway.measure.blocks import Block
from gateway.measure.measure import Measure
from gateway.plant.site import Site
from gateway.record import alarms, memory
from gateway.record.store import Store, open_store
from gateway.settings import Settings
from gateway.watching import PICTURE
from tests.whole.program import archive, gateway

from .browsing import browser, live, page_of
from .palette import smaller

FOLDER = Path(__file__).parents[2] / "config" / "pictures"
DAY_S, HOUR_S = 86_400.0, 3600.0
DAYS = 30
COARSE_STEP_S = 2.0
PACES = ((2 * DAY_S, 60.0), (2 * HOUR_S, 10.0), (0.0, 1.0))
"""Seconds before the end down to which rows come at this distance, s."""
FAULTS = [
    (21 * DAY_S, "zero-drift", "dp-402", 0.026),
    (0.4 * HOUR_S, "open-circuit", "dp-201", None),
]
"""Seconds before the end, kind, subject, size (Pa an hour)."""
TICK_S = 0.1
SIZE = (1280, 800)


def recorded(plant: Plant, store: Store) -> None:
    """Let the plant run up to now and record what a gateway would have seen and said."""
    measure = Measure(plant.site)
    diagnosis = Diagnosis(plant.site, measure.columns)
    machine = Alarms(plant.site, measure.columns)
    now = time.time()
    waiting = [(now - before, kind, subject, size) for before, kind, subject, size in FAULTS]
    while (left := time.time() - plant.time) > 1.0:
        pace = next(pace for until, pace in PACES if left > until)
        rows = max(1, int(min(HOUR_S, left) / pace))
        block = _polled(plant, rows, pace, waiting)
        readings = measure.examine(block)
        findings = diagnosis.examine(readings)
        changes = machine.examine(readings, findings, diagnosis.open)
        store.write([(block, readings)], (*findings, *changes))
    kept = to_dict(diagnosis.picture, measure.columns)
    store.do(memory.keep, PICTURE, round(plant.time * 1000), kept)
    store.do(alarms.resume)


def _polled(
    plant: Plant, rows: int, pace: float, waiting: list[tuple[float, str, str, float | None]]
) -> Block:
    """So many rows; faults of `waiting` are switched on when their time has come."""
    points = [p for c in plant.site.controllers.values() for p in c.points.values()]
    values = np.full((rows, len(points)), np.nan)
    reasons = np.zeros(values.shape, dtype=np.uint8)
    times = np.zeros(rows)
    for row in range(rows):
        plant.step(pace)
        times[row] = plant.time
        while waiting and waiting[0][0] <= plant.time:
            _, kind, subject, size = waiting.pop(0)
            plant.switch(kind, subject, size, on=True)
        first = 0
        for key, controller in plant.site.controllers.items():
            past = first + len(controller.points)
            reasons[row, first:past] = answer(plant.links[key], controller.timeout_s)
            values[row, first:past] = plant.values(key)
            first = past
    for k, point in enumerate(points):
        values[:, k] = after_registers(point, values[:, k])
    return Block(times, values, reasons)


@asynccontextmanager
async def running(plant: Plant) -> AsyncIterator[None]:
    """The plant behind real Modbus servers, in its own time."""

    async def pass_time() -> None:
        while True:
            await asyncio.sleep(TICK_S)
            plant.step(time.time() - plant.time)

    async with AsyncExitStack() as stack:
        for key in plant.site.controllers:
            await stack.enter_async_context(station(plant, key))
        task = asyncio.create_task(pass_time(), name="plant")
        try:
            yield
        finally:
            task.cancel()
            with suppress(asyncio.CancelledError):
                await task


async def pictures(site: Site) -> None:
    """Record, run, look."""
    FOLDER.mkdir(exist_ok=True)
    begin = time.time() - DAYS * DAY_S
    plant = Plant(site, seed=3, time=begin, max_step_s=COARSE_STEP_S)
    with tempfile.TemporaryDirectory() as folder:
        with open_store(Path(folder), site, events=False) as store:
            recorded(plant, store)
        settings = Settings(state_dir=Path(folder), http_port=0)
        async with running(plant), gateway(site, settings) as client, browser() as chromium:
            await asyncio.sleep(20)
            address = str(client.base_url)
            await _taken(chromium, address, "overview", "")
            await _taken(chromium, address, "loop", "loops/stair-b", span="3600", part="#timeline")
            await _taken(chromium, address, "transducer", "transducers/dp-402", part="#fared")


async def _taken(
    chromium: Browser, address: str, name: str, path: str, *, span: str = "", part: str = ""
) -> None:
    """One picture of the upper part of a page; part: down to the end of this."""
    async with page_of(chromium, address + path, SIZE) as (page, _):
        await live(page)
        if span:
            await page.locator(f"[name=span][value='{span}']").check()
        await page.wait_for_timeout(2500)
        height = await _height(page, part)
        png = await page.screenshot(
            full_page=True, animations="disabled",
            clip={"x": 0, "y": 0, "width": SIZE[0], "height": height},
        )  # fmt: skip
        (FOLDER / f"{name}.png").write_bytes(await smaller(chromium, png))


async def _height(page: Page, part: str) -> float:
    """Down to the end of the part, or of the page without its foot."""
    box = await page.locator(part or "main").bounding_box()
    assert box
    return box["y"] + box["height"]


if __name__ == "__main__":
    asyncio.run(pictures(archive()))
