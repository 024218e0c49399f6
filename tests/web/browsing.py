"""A real browser on the page: Debian's Chromium through playwright."""

from __future__ import annotations

import os
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal
from urllib.parse import urlsplit

from playwright.async_api import (
    Browser,
    ConsoleMessage,
    Page,
    Request,
    async_playwright,
    expect,
)

CHROMIUM = os.environ.get("CHROMIUM", "/usr/bin/chromium")
ARGUMENTS = [
    "--no-sandbox",
    "--disable-dev-shm-usage",
    "--disable-gpu",
    "--disable-background-networking",
]
WIDE = (1280, 800)
PHONE = (360, 780)
LARGER_PHONE = (390, 844)
FIRST_LOAD = 300_000
"""Bytes that a page may take before it shows everything."""
expect.set_options(timeout=60_000)
"""Milliseconds: a slow machine is no fault of a page."""
PICTURES = Path(__file__).parents[2] / "ci-output"

CONTRAST = """() => {
  const linear = (c) => (c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4);
  const channel = (c) => linear(c / 255);
  const light = ([r, g, b]) => 0.2126 * channel(r) + 0.7152 * channel(g) + 0.0722 * channel(b);
  const rgb = (text) => text.match(/[\\d.]+/g).map(Number);
  const ground = (node) => {
    for (let at = node; at; at = at.parentElement) {
      const colour = rgb(getComputedStyle(at).backgroundColor);
      if (colour.length === 3 || colour[3] === 1) return colour;
    }
    return [255, 255, 255];
  };
  const out = [];
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) {
    const text = walk.currentNode.textContent.trim();
    const node = walk.currentNode.parentElement;
    if (!text || !node.checkVisibility()) continue;
    const [a, b] = [light(rgb(getComputedStyle(node).color)), light(ground(node))];
    const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    if (ratio < 4.5) out.push(`${ratio.toFixed(2)} ${text}`);
  }
  return out;
}"""
"""Texts with less contrast than 4.5 to 1: WCAG 2.2, success criterion 1.4.3, and its definitions of
relative luminance and contrast ratio."""

AXE = Path(__file__).parent / "vendor" / "axe" / "axe.min.js"
"""axe-core, fetched by deploy/build_assets.py with an editable install."""
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
VIOLATIONS = """async (rules) => {
  const found = await axe.run(document, { runOnly: rules, resultTypes: ["violations"] });
  const told = (one) => one.nodes.map((node) => `${one.id}: ${node.html.slice(0, 150)}`);
  return found.violations.flatMap(told);
}"""
SMALL = """() => {
  const parts = [...document.querySelectorAll("a, button, input, select, summary")];
  return parts.filter((node) => {
    const style = getComputedStyle(node);
    const inText = node.tagName === "A" && style.display === "inline";
    if (!node.checkVisibility() || inText || style.opacity === "0") return false;
    const box = (node.closest("label") || node).getBoundingClientRect();
    return box.bottom > 0 && box.height < 24;
  }).map((node) => node.outerHTML.slice(0, 120));
}"""
"""What a finger could miss: WCAG 2.2, success criterion 2.5.8, which leaves links in text out."""

DRAWN = """([panel, share]) => {
  const box = document.querySelector(`.canvas.${panel}`);
  const canvas = box.querySelector("canvas");
  const area = box.querySelector(".u-over").getBoundingClientRect();
  const whole = canvas.getBoundingClientRect();
  const scale = canvas.width / whole.width;
  const x = Math.round((area.left - whole.left + share * area.width) * scale);
  const top = Math.round((area.top - whole.top) * scale);
  const height = Math.round((area.height - 8) * scale);
  const copy = new OffscreenCanvas(5, height).getContext("2d");
  copy.drawImage(canvas, 2 - x, -top);
  const { data } = copy.getImageData(0, 0, 5, height);
  let dark = 0;
  for (let k = 0; k < data.length; k += 4) dark += data[k + 3] > 128 && data[k + 1] < 90;
  return dark;
}"""
"""Dark points of a plot in a narrow column at a share of its width; lines of the grid are pale."""


@dataclass
class Watched:
    """What a page did that a person would not see."""

    errors: list[str] = field(default_factory=list)
    outside: list[str] = field(default_factory=list)
    ended: list[Request] = field(default_factory=list)

    def console(self, message: ConsoleMessage) -> None:
        """A line on the console."""
        if message.type in {"error", "warning"}:
            self.errors.append(message.text)

    def finished(self, request: Request) -> None:
        """A request that was answered to the end."""
        self.ended.append(request)

    async def loaded(self) -> int:
        """Bytes over the wire so far, but for the endless stream."""
        sizes = [await one.sizes() for one in self.ended]
        return sum(s["responseBodySize"] + s["responseHeadersSize"] for s in sizes)

    def request(self, request: Request, host: str) -> None:
        """A request; those to another host are kept."""
        if urlsplit(request.url).netloc != host:
            self.outside.append(request.url)


@asynccontextmanager
async def browser() -> AsyncIterator[Browser]:
    """Chromium, without a window."""
    async with async_playwright() as playwright:
        chromium = await playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        try:
            yield chromium
        finally:
            await chromium.close()


@asynccontextmanager
async def page_of(
    chromium: Browser,
    address: str,
    size: tuple[int, int] = WIDE,
    *,
    scheme: Literal["light", "dark"] = "light",
) -> AsyncIterator[tuple[Page, Watched]]:
    """The page, opened, with a watch on its console and its requests."""
    context = await chromium.new_context(
        viewport={"width": size[0], "height": size[1]}, color_scheme=scheme
    )
    page = await context.new_page()
    watched = Watched()
    host = urlsplit(address).netloc
    page.on("console", watched.console)
    page.on("requestfinished", watched.finished)
    page.on("pageerror", lambda error: watched.errors.append(str(error)))
    page.on("request", lambda request: watched.request(request, host))
    try:
        await page.goto(address)
        yield page, watched
    finally:
        await context.close()


async def live(page: Page) -> None:
    """Wait until the page shows live values."""
    await expect(page.locator("body")).to_have_attribute("data-feed", "live")


async def violations(page: Page) -> list[str]:
    """What axe-core and our own contrast check find wrong, as the page stands."""
    await page.evaluate(AXE.read_text(encoding="utf-8"))
    found: list[str] = await page.evaluate(VIOLATIONS, RULES)
    pale: list[str] = await page.evaluate(CONTRAST)
    return found + pale


async def unfit(page: Page) -> list[str]:
    """What is wrong with a page on a phone: it must fit the width, and fingers must hit."""
    scroll, inner = await page.evaluate(
        "() => [document.documentElement.scrollWidth, window.innerWidth]"
    )
    wide = [f"{scroll} wide of {inner}"] if scroll > inner else []
    small: list[str] = await page.evaluate(SMALL)
    return wide + small


async def picture(page: Page, name: str, *, whole: bool = False) -> None:
    """A screenshot for a person to look at."""
    PICTURES.mkdir(exist_ok=True)
    await page.screenshot(path=PICTURES / f"page-{name}.png", full_page=whole)
