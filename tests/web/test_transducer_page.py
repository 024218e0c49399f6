"""The page of one transducer in a real browser: for the technician with a meter."""

from __future__ import annotations

import re
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any, Literal

import pytest
from playwright.async_api import Browser, Page, expect

from .archive import archive
from .browsing import (
    DRAWN,
    FIRST_LOAD,
    PHONE,
    WIDE,
    Watched,
    live,
    page_of,
    picture,
    unfit,
    violations,
)
from .feeder import Feeder, feeding, serving
from .test_web_api import HOSTILE

pytestmark = pytest.mark.server

HAIR = """() => {
  const hair = document.querySelector(".hair").getBoundingClientRect();
  const rail = document.querySelector(".rung .rail").getBoundingClientRect();
  return (hair.left + hair.width / 2 - rail.left) / rail.width;
}"""
"""Where the line through the ladder stands, as a share of the rulers' length."""


@pytest.fixture
def feeder() -> Feeder:
    return Feeder(archive(), interval=0.5)


@asynccontextmanager
async def opened(
    chromium: Browser, feeder: Feeder, key: str, size: tuple[int, int] = WIDE, **how: Any
) -> AsyncIterator[tuple[Page, Watched]]:
    """The page of a transducer, live and complete."""
    async with (
        feeding(feeder), serving(feeder) as address,
        page_of(chromium, f"{address}transducers/{key}", size, **how) as (page, watched),
    ):  # fmt: skip
        await live(page)
        await expect(page.locator(".rung")).to_have_count(4)
        await expect(page.locator("[data-f=drift]")).not_to_be_empty()
        yield page, watched


async def test_the_chain_and_the_meter(chromium: Browser, feeder: Feeder) -> None:
    async with opened(chromium, feeder, "dp-201") as (page, watched):
        rungs = page.locator(".rung .value")
        percent = float((await rungs.nth(2).inner_text()).removesuffix(" %"))
        # The rulers run from 0 to 20 mA, the range from 4 to 20.
        at = (4 + 0.16 * percent) / 20
        assert await page.evaluate(HAIR) == pytest.approx(at, abs=0.02)
        await expect(rungs.nth(1)).to_have_text(re.compile(r"^1\d\.\d\d mA$"))
        rows = page.locator("#meter tbody tr")
        await expect(rows).to_have_count(7)
        await expect(rows.nth(2)).to_have_text(
            re.compile(r"Ports bridged\s*0\.0\s*7\.200\s*11 520")
        )
        await expect(rows.first).to_contain_text("Now")
        how = page.locator("#meter-how")
        await expect(how).to_contain_text("with the meter in series")
        await expect(how).to_contain_text("±0.23 mA; one step of the input is 0.00063 mA")
        await expect(page.locator(".caution").first).to_contain_text("arrange the impairment")
        await expect(page.locator("[data-f=apart]")).to_have_text(
            re.compile(r"^this is \d\.\d\d (lower|higher)$")
        )
        await expect(page.get_by_role("link", name="Stair B pressurization")).to_have_attribute(
            "href", "/loops/stair-b"
        )
        assert watched.errors == []
        assert watched.outside == []
        assert await watched.loaded() < FIRST_LOAD


async def test_a_broken_wire_with_its_evidence_and_afterwards(
    chromium: Browser, feeder: Feeder
) -> None:
    feeder.row(time.time() - 2)
    feeder.trouble()
    async with opened(chromium, feeder, "dp-402") as (page, watched):
        await expect(page.locator("[data-f=word]")).to_have_text("Failure")
        found = page.locator(".findings .finding")
        await expect(found).to_contain_text("short circuit, reversed polarity or device failure")
        await expect(page.locator(".failing")).to_have_count(1)
        # 0.00 mA: the line stands in the failure band, at the very end.
        assert await page.evaluate(HAIR) == pytest.approx(0, abs=0.02)
        await expect(page.locator("#meter .present")).to_contain_text("0.000")
        hidden = page.locator("#trusted details")
        await hidden.locator("summary").click()
        await expect(hidden).to_contain_text("Short circuit")
        await page.wait_for_function(f"() => ({DRAWN})(['pressure', 0.25]) > 0")
        assert await violations(page) == []
        await picture(page, "transducer-trouble", whole=True)
        earlier = page.locator("#earlier")
        await expect(earlier).to_contain_text("None so far.")
        # Mended, it stays in the past with its evidence.
        feeder.mend()
        await expect(found).to_have_count(0)
        await expect(earlier).to_contain_text("1 finding, newest first")
        await earlier.locator("summary").first.click()
        await expect(earlier.locator(".finding")).to_contain_text("Signal 0.01 mA")
        await expect(page.locator("[data-f=word]")).to_have_text("No findings")
        assert watched.errors == []


async def test_how_it_has_fared(chromium: Browser, feeder: Feeder) -> None:
    async with opened(chromium, feeder, "dp-401") as (page, watched):
        await expect(page.locator("[data-f=against]")).to_have_text("against dp-402 and dp-403")
        said = page.locator("[data-f=drift]")
        await expect(said).to_contain_text("The tolerance is ±10.0 Pa")
        async with page.expect_response("**/condition?days=365") as told:
            await page.locator("#fared").get_by_label("1 year").check()
        assert (await told.value).status == 200
        await page.wait_for_function(f"() => ({DRAWN})(['apart', 0.5]) > 0")
        await page.route("**/condition?**", lambda route: route.abort())
        await page.locator("#fared").get_by_label("7 days").check()
        await expect(said).to_contain_text("The history cannot be read now")
        assert all("ERR_FAILED" in text for text in watched.errors)


async def test_in_the_units_of_the_viewer(chromium: Browser, feeder: Feeder) -> None:
    async with opened(chromium, feeder, "dp-301") as (page, _):
        await page.locator(".chosen summary").click()
        await page.get_by_label("Pressures in").select_option("Pa")
        await live(page)
        # 2 inH2O is 498.2 Pa: NIST SP 811 (2008) B.8.
        upper = page.locator("#meter tr", has_text="Upper end of the range")
        await expect(upper).to_have_text(re.compile(r"498\.2\s*10\.0000\s*4 095"))
        await expect(page.locator("[data-f=unit]")).to_have_text("Pa")


async def test_hostile_names_are_shown_as_text(chromium: Browser) -> None:
    site = archive(HOSTILE)
    dp = site.transducers["dp-201"].model_copy(update={"location": HOSTILE, "ports": HOSTILE})
    stair = site.loops["stair-b"].model_copy(update={"name": HOSTILE})
    feeder = Feeder(
        archive(HOSTILE, transducers={**site.transducers, "dp-201": dp},
                loops={**site.loops, "stair-b": stair}),
        interval=0.5,
    )  # fmt: skip
    async with opened(chromium, feeder, "dp-201") as (page, watched):
        await expect(page.locator(".head span").first).to_have_text(HOSTILE)
        assert await page.locator("main img, main script").count() == 0
        assert watched.errors == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
async def test_on_the_plant_room_floor(
    chromium: Browser, feeder: Feeder, scheme: Literal["light", "dark"]
) -> None:
    feeder.trouble()
    async with opened(chromium, feeder, "dp-402", PHONE, scheme=scheme) as (page, watched):
        await expect(page.locator(".findings .finding")).to_have_count(1)
        assert await unfit(page) == []
        assert await violations(page) == []
        await picture(page, f"transducer-phone-{scheme}", whole=True)
        await page.evaluate("window.scrollTo(0, 0)")
        await picture(page, f"transducer-phone-top-{scheme}")
        assert watched.errors == []
