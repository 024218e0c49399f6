"""The page of the gateway itself in a real browser."""

from __future__ import annotations

import pytest
from playwright.async_api import Browser, expect

from .archive import archive
from .browsing import live, page_of, picture, violations
from .feeder import Feeder, feeding, serving

pytestmark = pytest.mark.server


async def test_controllers_and_receivers(chromium: Browser) -> None:
    feeder = Feeder(archive(), interval=0.5)
    async with (
        feeding(feeder), serving(feeder) as address,
        page_of(chromium, f"{address}system") as (page, watched),
    ):  # fmt: skip
        await live(page)
        await expect(page.locator("#verdict-text")).to_have_text(
            "3 controllers answer, all data taken"
        )
        row = page.locator("[data-link=ahu-1]")
        await expect(row).to_contain_text("Controller of air handler 1")
        await expect(row).to_contain_text("9 ms")
        await expect(page.locator("#sinks tbody tr")).to_contain_text("store")
        assert await violations(page) == []
        await picture(page, "system", whole=True)
        assert watched.errors == []
