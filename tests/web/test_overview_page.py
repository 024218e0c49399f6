"""The overview in a real browser: through a fault, on a wall, on a phone, on a large site."""

from __future__ import annotations

import time
from dataclasses import replace
from typing import Literal

import pytest
from playwright.async_api import Browser, Page, expect

from .archive import archive, open_circuit
from .browsing import FIRST_LOAD, PHONE, WIDE, live, page_of, picture, unfit, violations
from .feeder import Feeder, feeding, serving
from .large import large

pytestmark = pytest.mark.server

ORDER = "() => [...document.querySelectorAll('.row')].map((x) => x.dataset.row)"
STAIR = "[data-row='loop stair-b']"
PLENUM = "[data-row='loop exhaust-plenum']"
CALM = ["loop stair-b", "loop ahu-1-supply", "loop exhaust-plenum"]
WALL = (1920, 1080)
PLUMB = """(row) => {
  const box = document.querySelector(row).querySelector(".plumb > svg").getBoundingClientRect();
  const mark = document.querySelector(row).querySelector(".ours").getBoundingClientRect();
  return (mark.left + mark.width / 2 - box.left - box.width / 2) / box.width;
}"""
"""How far the combined pressure stands from the plumb line, as a share of the rule."""


@pytest.fixture
def feeder() -> Feeder:
    return Feeder(archive(), interval=0.5)


async def test_through_a_fault_on_a_desk(chromium: Browser, feeder: Feeder) -> None:
    async with feeding(feeder), serving(feeder) as address, page_of(chromium, address) as opened:
        page, watched = opened
        await live(page)
        verdict = page.locator("#verdict-text")
        await expect(verdict).to_have_text("3 loops, nothing found wrong")
        assert await page.evaluate(ORDER) == CALM
        figure = page.locator(f"{STAIR} [data-f=combined]")
        before = await figure.inner_text()
        await expect(figure).not_to_have_text(before)
        assert await watched.loaded() < FIRST_LOAD
        # Nothing to look for among three, and nothing asks for attention.
        for name in ("#looking", "#leaves", "#needs", "#elsewhere"):
            await expect(page.locator(name)).to_be_hidden()
        for row in CALM:
            assert abs(await page.evaluate(PLUMB, f"[data-row='{row}']")) < 0.1
        assert await violations(page) == []
        await picture(page, "overview-calm")

        # A fault appears without a reload: which transducer, why, and what to measure.
        feeder.trouble()
        plenum = page.locator(PLENUM)
        for words in ("dp-402 Open circuit: no signal at all", "Failure since",
                      "Exhaust plenum, middle", "Measure at the input terminals",
                      "where no working device can be", "Signal 0.01 mA",
                      "It could also be: short circuit", " without dp-402"):  # fmt: skip
            await expect(plenum).to_contain_text(words)
        await expect(page.locator(STAIR)).to_contain_text("differs by")
        assert await page.evaluate(ORDER) == [CALM[2], CALM[0], CALM[1]]
        assert await page.locator("#needs .row").count() == 2
        await expect(verdict).to_have_text(
            "2 of 3 loops need attention: Exhaust plenum (dp-402) and Stair B pressurization"
        )
        await expect(page).to_have_title("(2) Loops · Harbour Street Archive")
        await expect(page.locator("#badge")).to_have_text("2")
        assert await violations(page) == []
        await picture(page, "overview-trouble", whole=True)

        # And is gone.
        feeder.mend()
        await expect(page.locator(".finding")).to_have_count(0)
        await expect(verdict).to_have_text("3 loops, nothing found wrong")
        assert await page.evaluate(ORDER) == CALM
        assert watched.errors == []
        assert watched.outside == []


async def test_figures_for_three_metres_on_a_wall(chromium: Browser, feeder: Feeder) -> None:
    feeder.trouble()
    async with (
        feeding(feeder), serving(feeder) as address,
        page_of(chromium, address, WALL) as (page, watched),
    ):  # fmt: skip
        await live(page)
        await page.locator(".chosen summary").click()
        await page.get_by_label("Size").select_option("for a wall screen")
        await page.locator(".chosen summary").click()
        box = await page.locator(f"{STAIR} .figure").bounding_box()
        # A screen of 1.2 m shows 1920 points: 48 of them are 30 mm, a hundredth of three metres.
        # At least a two-hundredth is asked of signs (common practice, no source).
        assert box
        assert box["height"] >= 48
        await expect(page.locator(STAIR)).to_be_in_viewport()
        await picture(page, "overview-wall")
        await page.reload()
        await live(page)
        assert await page.evaluate("document.documentElement.dataset.size") == "wall"
        assert await violations(page) == []
        assert watched.errors == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
async def test_on_a_phone(
    chromium: Browser, feeder: Feeder, scheme: Literal["light", "dark"]
) -> None:
    feeder.trouble()
    async with (
        feeding(feeder), serving(feeder) as address,
        page_of(chromium, address, PHONE, scheme=scheme) as (page, watched),
    ):  # fmt: skip
        await live(page)
        await expect(page.locator(".finding")).to_have_count(2)
        assert await page.evaluate(ORDER) == [CALM[2], CALM[0], CALM[1]]
        await picture(page, f"overview-phone-{scheme}")
        folded = page.locator("main details:not([open]) > summary")
        await expect(folded).to_have_count(2)
        while await folded.count():
            await folded.first.click()
        assert await unfit(page) == []
        assert await violations(page) == []
        # The pages are where the thumb is.
        nav = await page.locator(".mast nav").bounding_box()
        assert nav
        assert nav["y"] + nav["height"] >= PHONE[1] - 1
        assert watched.errors == []


async def searched(page: Page, text: str) -> None:
    await page.get_by_label("Find a loop").fill(text)


async def test_a_thousand_loops(chromium: Browser) -> None:
    feeder = Feeder(large(1000, spare=4), interval=1.0)
    async with (
        feeding(feeder), serving(feeder) as address,
        page_of(chromium, address, WIDE) as (page, watched),
    ):  # fmt: skip
        await live(page)
        rows = page.locator(".row")
        await expect(rows).to_have_count(30)
        await expect(page.locator("#verdict-text")).to_have_text(
            "1 004 loops and transducers, nothing found wrong"
        )
        await expect(page.locator("#leaf")).to_have_text("1 to 30 of 1 004")
        await picture(page, "overview-many")
        await page.get_by_role("button", name="Next").click()
        await expect(page.locator("#leaf")).to_have_text("31 to 60 of 1 004")
        await expect(rows.first).to_have_attribute("data-row", "loop loop-0031")

        # What breaks on another page comes to the first.
        lost = replace(open_circuit(time.time()), subject="dp-1801", transducer="dp-1801",
                       loops=("loop-0901",))  # fmt: skip
        feeder.findings = [lost]
        await expect(page.locator("#verdict-text")).to_have_text(
            "1 of 1 004 loops and transducers needs attention"
        )
        await page.get_by_role("button", name="Back").click()
        await expect(rows.first).to_have_attribute("data-row", "loop loop-0901")
        await expect(page.locator("#verdict-text")).to_contain_text("attention: Stair 151")

        await searched(page, "dp-0100")
        await expect(rows).to_have_count(1)
        await expect(rows).to_have_attribute("data-row", "loop loop-0050")
        await searched(page, "")
        await expect(rows).to_have_count(30)
        await page.get_by_label("Failure").check()
        await expect(rows).to_have_count(1)
        assert await violations(page) == []
        # What is looked for can be kept and sent.
        assert page.url == f"{address}?status=failure"
        await page.reload()
        await expect(rows).to_have_count(1)
        await expect(page.get_by_label("Failure")).to_be_checked()
        await searched(page, "no such thing")
        await expect(page.locator("#empty")).to_be_visible()
        await page.goto(f"{address}?text=Vault&page=3&size=20&status=nonsense")
        await expect(page.locator("#leaf")).to_have_text("41 to 60 of 168")
        assert watched.errors == []


async def test_units_and_colours_are_the_viewers_choice(chromium: Browser, feeder: Feeder) -> None:
    async with feeding(feeder), serving(feeder) as address, page_of(chromium, address) as opened:
        page, watched = opened
        await live(page)
        row = page.locator(STAIR)
        await expect(row.locator("[data-f=setpoint]")).to_have_text("50.0")
        await page.locator(".chosen summary").click()
        await page.get_by_label("Pressures in").select_option("inH₂O")
        # 50 Pa / 249.08891 = 0.2007 inH2O: NIST SP 811 (2008) B.8; 125 Pa of span: four digits.
        await expect(row.locator("[data-f=setpoint]")).to_have_text("0.2007")
        await expect(row.locator("[data-f=unit]")).to_have_text("inH₂O")
        await page.reload()
        await expect(row.locator("[data-f=setpoint]")).to_have_text("0.2007")
        await page.locator(".chosen summary").click()
        await page.get_by_label("Pressures in").select_option("mbar")
        await expect(row.locator("[data-f=setpoint]")).to_have_text("0.500")
        await page.locator(".chosen summary").click()
        await page.get_by_label("Colours").select_option("dark")
        ground = "getComputedStyle(document.body).backgroundColor"
        assert await page.evaluate(ground) == "rgb(16, 20, 22)"
        assert await violations(page) == []
        await picture(page, "overview-choices")
        await page.get_by_label("Colours").select_option("light")
        assert await page.evaluate(ground) == "rgb(233, 236, 238)"
        async with page.expect_navigation():
            await page.get_by_label("Times").select_option("of this device")
        await live(page)
        zone = await page.evaluate("Intl.DateTimeFormat().resolvedOptions().timeZone")
        await expect(page.locator("#zone")).to_have_text(zone)
        assert watched.errors == []


async def test_a_site_without_anything(chromium: Browser) -> None:
    feeder = Feeder(archive(controllers={}, transducers={}, loops={}), interval=0.5)
    async with serving(feeder) as address, page_of(chromium, address) as (page, watched):
        await expect(page.locator("#verdict-text")).to_have_text("Waiting for the first values")
        assert await violations(page) == []
        async with feeding(feeder):
            await expect(page.locator("#empty")).to_have_text("The site file names no loop yet.")
        assert watched.errors == []
