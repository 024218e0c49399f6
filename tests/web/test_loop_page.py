"""The page of one loop in a real browser."""

from __future__ import annotations

import time

import pytest
from playwright.async_api import Browser, expect

from .archive import archive
from .browsing import live, page_of, picture, violations
from .feeder import Feeder, feeding, serving
from .schooled import schooled

pytestmark = pytest.mark.server


@pytest.fixture
def feeder() -> Feeder:
    return Feeder(archive(), interval=0.5)


async def test_what_is_known_of_a_loop_is_unfolded(chromium: Browser, feeder: Feeder) -> None:
    async with (
        feeding(feeder), serving(feeder) as address,
        page_of(chromium, f"{address}loops/stair-b") as (page, watched),
    ):  # fmt: skip
        await live(page)
        learning = page.locator("[data-deeper=learnt]")
        await learning.locator("summary").click()
        # 2 x 0.884 Pa: 1 %, 0.5 % of temperature and 0.5 % of a year, of 125 Pa, as rectangles.
        await expect(learning).to_contain_text("±1.77 Pa")
        await expect(learning).to_contain_text("Nothing learnt yet")
        # Folded and unfolded again it is asked anew.
        feeder.live.learnt = schooled(feeder.live.site, stopped=30, end=time.time())
        await learning.locator("summary").click()
        await learning.locator("summary").click()
        await expect(learning).to_contain_text("+0.5")  # 0.4 % of 125 Pa above the other
        await expect(learning).to_contain_text("in use; full after 168 h")
        await expect(learning).to_contain_text("38.2 Hz stands for 50")
        await expect(learning).to_contain_text('relearn stair-b --reason "what was done"')
        assert await violations(page) == []
        # On paper what is folded stays off, and what is open has its heading.
        await page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
        await page.emulate_media(media="print")
        await expect(learning.locator("summary")).to_be_visible()
        await expect(page.locator("[data-deeper=hidden]")).to_be_hidden()
        assert watched.errors == []


async def test_what_cannot_be_seen_is_told(chromium: Browser, feeder: Feeder) -> None:
    async with (
        feeding(feeder), serving(feeder) as address,
        page_of(chromium, f"{address}loops/ahu-1-supply") as (page, watched),
    ):  # fmt: skip
        await live(page)
        hidden = page.locator("[data-deeper=hidden]")
        await page.route("**/api/v1/loops/ahu-1-supply", lambda route: route.abort())
        await hidden.locator("summary").click()
        await expect(hidden).to_contain_text("The gateway did not answer")
        await page.unroute("**/api/v1/loops/ahu-1-supply")
        await hidden.locator("summary").click()
        await hidden.locator("summary").click()
        await expect(hidden.locator("h3")).to_have_text(["dp-301, dp-302", "The loop"])
        await expect(hidden).to_contain_text("A dead wire reads a believable 0 inH")
        await expect(hidden).to_contain_text("Two inputs exchanged leave the minimum as it is")
        assert await violations(page) == []
        await picture(page, "loop-unfolded", whole=True)
        assert all("ERR_FAILED" in text for text in watched.errors)
