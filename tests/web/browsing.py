"""A real browser on the page: Debian's Chromium through playwright."""

from __future__ import annotations

import os
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal
from urllib.parse import urlsplit

from playwright.async_api import Browser, ConsoleMessage, Page, Request, Response, async_playwright

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

DRAWN = """(share) => {
  const box = document.querySelector("[data-loop=stair-b] .canvas");
  const canvas = box.querySelector("canvas");
  const area = box.querySelector(".u-over").getBoundingClientRect();
  const whole = canvas.getBoundingClientRect();
  const scale = canvas.width / whole.width;
  const x = Math.round((area.left - whole.left + share * area.width) * scale);
  const copy = new OffscreenCanvas(5, canvas.height).getContext("2d");
  copy.drawImage(canvas, 2 - x, 0);
  const { data } = copy.getImageData(0, 0, 5, canvas.height);
  let dark = 0;
  for (let k = 0; k < data.length; k += 4) dark += data[k + 3] > 128 && data[k + 1] < 90;
  return dark;
}"""
"""Dark points of a trend in a narrow column at a share of its width; lines of the grid are pale."""


@dataclass
class Watched:
    """What a page did that a person would not see."""

    errors: list[str] = field(default_factory=list)
    outside: list[str] = field(default_factory=list)
    answers: list[Response] = field(default_factory=list)

    def console(self, message: ConsoleMessage) -> None:
        """A line on the console."""
        if message.type in {"error", "warning"}:
            self.errors.append(message.text)

    def response(self, response: Response) -> None:
        """An answer."""
        self.answers.append(response)

    async def loaded(self) -> int:
        """Bytes over the wire so far, but for the endless stream."""
        ended = [a for a in self.answers if not a.url.endswith("/stream")]
        sizes = [await a.request.sizes() for a in ended]
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
    page.on("response", watched.response)
    page.on("pageerror", lambda error: watched.errors.append(str(error)))
    page.on("request", lambda request: watched.request(request, host))
    try:
        await page.goto(address)
        yield page, watched
    finally:
        await context.close()


async def picture(page: Page, name: str, *, whole: bool = False) -> None:
    """A screenshot for a person to look at."""
    PICTURES.mkdir(exist_ok=True)
    await page.screenshot(path=PICTURES / f"page-{name}.png", full_page=whole)
