"""The page of the gateway itself in a real browser."""

from __future__ import annotations

import re
from typing import Literal

import pytest
from playwright.async_api import Browser, expect

from .archive import archive
from .browsing import PHONE, live, page_of, picture, unfit, violations
from .feeder import Feeder, feeding, serving
from .large import large

pytestmark = pytest.mark.server


async def test_controllers_and_receivers(chromium: Browser) -> None:
    feeder = Feeder(archive(), interval=0.5)
    async with (
        feeding(feeder), serving(feeder) as address,
        page_of(chromium, f"{address}system") as (page, watched),
    ):  # fmt: skip
        await live(page)
        verdict = page.locator("#verdict-text")
        await expect(verdict).to_have_text("3 controllers answer, all data taken")
        row = page.locator("[data-link=ahu-1]")
        await expect(row).to_contain_text("Controller of air handler 1")
        await expect(row).to_contain_text("9 ms")
        await expect(page.locator("#sinks tbody tr")).to_contain_text("History file")
        await expect(page.locator("#self [data-f=site]")).to_have_text(
            "3 controllers, 7 transducers, 3 loops"
        )
        await expect(page.locator("#self [data-f=memory]")).to_have_text(
            re.compile(r"^\d[\d.]* [MG]B$")
        )
        # A controller falls silent: it is named, and comes first.
        feeder.down = {"ef-4": "connection refused"}
        await expect(verdict).to_have_text("1 of 3 controllers does not answer: ef-4")
        await expect(page.locator("#links tbody tr").first).to_contain_text("Connection refused")
        assert await violations(page) == []
        await picture(page, "system", whole=True)
        feeder.down = {}
        await expect(verdict).to_have_text("3 controllers answer, all data taken")
        assert watched.errors == []


async def test_many_controllers_are_searched(chromium: Browser) -> None:
    feeder = Feeder(large(100), interval=0.5)
    async with (
        feeding(feeder), serving(feeder) as address,
        page_of(chromium, f"{address}system") as (page, _),
    ):  # fmt: skip
        await live(page)
        rows = page.locator("#links tbody tr:visible")
        await expect(rows).to_have_count(10)
        await page.get_by_label("Find a controller").fill("plc-7")
        await expect(rows).to_have_count(1)
        assert await violations(page) == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
async def test_on_a_phone(chromium: Browser, scheme: Literal["light", "dark"]) -> None:
    feeder = Feeder(archive(), interval=0.5)
    async with (
        feeding(feeder), serving(feeder) as address,
        page_of(chromium, f"{address}system", PHONE, scheme=scheme) as (page, watched),
    ):  # fmt: skip
        await live(page)
        await expect(page.locator("#self [data-f=site]")).to_contain_text("7 transducers")
        assert await unfit(page) == []
        assert await violations(page) == []
        await picture(page, f"system-phone-{scheme}", whole=True)
        assert watched.errors == []
