"""The page in a real browser: it draws, looks closer, and says nothing on the console."""

from __future__ import annotations

import os
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Literal

import pytest
from playwright.async_api import Page, async_playwright
from rich.console import Console

from gateway.replay.order import Order, run_replay
from gateway.replay.plot import write_plot
from gateway.replay.trace import Trace
from tests.replay.scans import archive, history, refs, rows, write_csv

Scheme = Literal["light", "dark"]
pytestmark = pytest.mark.server

CHROMIUM = os.environ.get("CHROMIUM", "/usr/bin/chromium")
ARGUMENTS = [
    "--no-sandbox",
    "--disable-dev-shm-usage",
    "--disable-gpu",
    "--disable-background-networking",
]
INK = """(loop) => {
  const canvas = document.querySelector(`section[data-loop=${loop}] canvas`);
  const copy = new OffscreenCanvas(canvas.width, canvas.height).getContext("2d");
  copy.drawImage(canvas, 0, 0);
  const { data } = copy.getImageData(0, 0, canvas.width, canvas.height);
  const seen = new Set();
  for (let k = 0; k < data.length; k += 4) {
    if (data[k + 3] > 250) seen.add(data.slice(k, k + 3).join());
  }
  return [...seen];
}"""
"""Colours that are fully there."""


@asynccontextmanager
async def opened(file: Path, scheme: Scheme = "light") -> AsyncIterator[tuple[Page, list[str]]]:
    """The page from its file, and what a person would not see: errors, and anything fetched."""
    noise: list[str] = []
    async with async_playwright() as playwright:
        browser = await playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        context = await browser.new_context(
            viewport={"width": 1200, "height": 900}, color_scheme=scheme
        )
        page = await context.new_page()
        page.on("console", lambda m: noise.append(f"{m.type}: {m.text}"))
        page.on("pageerror", lambda e: noise.append(str(e)))
        address = file.as_uri()
        page.on("request", lambda r: noise.append(r.url) if r.url != address else None)
        try:
            await page.goto(address)
            yield page, noise
        finally:
            await browser.close()


@pytest.fixture(scope="module")
def plot(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("plot")
    scans = write_csv(folder / "scans.csv.gz", ["time", *refs(archive())], rows(history()))
    with (folder / "said").open("w") as said:
        order = Order(scans, out=folder / "found.jsonl", plot=folder / "plot.html")
        run_replay(archive(), order, Console(file=said))
    return folder / "plot.html"


@pytest.mark.parametrize("scheme", ["light", "dark"])
async def test_it_draws_every_loop(plot: Path, scheme: Scheme) -> None:
    async with opened(plot, scheme) as (page, noise):
        ids = await page.eval_on_selector_all("section", "all => all.map(s => s.dataset.loop)")
        assert ids == list(archive().loops)
        for loop in archive().loops:
            assert len(await page.evaluate(INK, loop)) > 4
        assert await page.title() == "Replay of Harbour Street Archive"
        assert "2026-06-01 00:00:00 to 2026-06-01 03:59:50 UTC" in await page.inner_text("#span")
        assert noise == []


async def test_what_was_found_is_listed_and_can_be_looked_at(plot: Path) -> None:
    async with opened(plot) as (page, noise):
        row = page.locator("section[data-loop=exhaust-plenum] tbody tr").first
        assert "dp-402" in await row.inner_text()
        assert "still stands" in await row.inner_text()
        whole = await page.evaluate(INK, "stair-b")
        await row.click()
        assert await page.locator("#all").is_enabled()
        assert await page.evaluate(INK, "stair-b") != whole
        await page.locator("#all").click()
        assert await page.locator("#all").is_disabled()
        assert await page.evaluate(INK, "stair-b") == whole
        assert noise == []


async def test_drag_looks_closer_and_a_double_click_shows_all(plot: Path) -> None:
    async with opened(plot) as (page, noise):
        canvas = page.locator("section[data-loop=stair-b] canvas")
        box = await canvas.bounding_box()
        assert box
        y = box["y"] + 100
        await page.mouse.move(box["x"] + 300, y)
        text = await page.locator("section[data-loop=stair-b] .at").inner_text()
        assert text.startswith("2026-06-01 00:")
        assert "dp-201 " in text
        await page.mouse.down()
        await page.mouse.move(box["x"] + 500, y, steps=3)
        await page.mouse.up()
        assert await page.locator("#all").is_enabled()
        await canvas.dblclick(position={"x": 400, "y": 100})
        assert await page.locator("#all").is_disabled()
        assert noise == []


async def test_a_curve_can_be_left_out(plot: Path) -> None:
    async with opened(plot) as (page, noise):
        before = await page.evaluate(INK, "stair-b")
        await page.locator("section[data-loop=stair-b] label", has_text="dp-201").click()
        assert await page.evaluate(INK, "stair-b") != before
        assert noise == []


async def test_nothing_replayed_is_said(tmp_path: Path) -> None:
    write_plot(tmp_path / "plot.html", archive(), Trace(), [])
    async with opened(tmp_path / "plot.html") as (page, noise):
        assert await page.inner_text("#span") == "No rows in this time."
        assert noise == []
