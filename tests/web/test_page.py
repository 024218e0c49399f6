"""The live page in a real browser, on a wall screen and on a phone."""

from __future__ import annotations

import asyncio
import re
import time
from collections.abc import AsyncIterator
from typing import Literal

import pytest
from playwright.async_api import Browser, Page, expect

from gateway.measure.quality import Reason

from .archive import archive, mismatch, open_circuit
from .browsing import CONTRAST, DRAWN, PHONE, WIDE, browser, page_of, picture
from .feeder import Feeder, feeding, serving
from .schooled import schooled
from .test_web_api import HOSTILE

pytestmark = pytest.mark.server

ORDER = "() => [...document.querySelectorAll('[data-loop]')].map((x) => x.dataset.loop)"
FIGURE = "[data-loop=stair-b] [data-f=combined]"
FIRST_LOAD = 300_000
"""Bytes that the page may take before it shows everything."""


@pytest.fixture
async def chromium() -> AsyncIterator[Browser]:
    async with browser() as running:
        yield running


@pytest.fixture
def feeder() -> Feeder:
    return Feeder(archive(), interval=0.5)


def trouble(feeder: Feeder) -> None:
    feeder.findings = [mismatch(time.time() - 7300), open_circuit(time.time() - 95)]
    feeder.reasons = {"dp-402": Reason.FAILURE_LOW}
    feeder.broken = {"dp-402"}
    feeder.feedback = {"stair-b": 56.2}


async def live(page: Page) -> None:
    await expect(page.locator("body")).to_have_attribute("data-feed", "live")


async def test_a_wall_screen_through_a_fault(chromium: Browser, feeder: Feeder) -> None:
    async with feeding(feeder), serving(feeder) as address, page_of(chromium, address) as opened:
        page, watched = opened
        await live(page)
        # Every loop and transducer, with values that move.
        assert await page.evaluate(ORDER) == ["stair-b", "ahu-1-supply", "exhaust-plenum"]
        assert await page.locator("[data-input]").count() == 7
        before = await page.locator(FIGURE).inner_text()
        await expect(page.locator(FIGURE)).not_to_have_text(before)
        await expect(page.locator("#verdict-text")).to_have_text("3 loops, nothing found wrong")
        await expect(page.locator("[data-loop=stair-b] [data-f=agree]")).to_have_text("agrees")
        await expect(page.locator(".u-over")).to_have_count(3)
        # The hole that the feeder's past has, 5 to 4 minutes ago, stays a hole.
        await page.wait_for_function(f"() => ({DRAWN})(0.25) > 0")
        assert await page.evaluate(DRAWN, 0.75) > 0
        await page.wait_for_function(f"() => ({DRAWN})(0.55) === 0")
        assert 50_000 < await watched.loaded() < FIRST_LOAD
        await picture(page, "wide-calm")

        # A fault appears without a reload: worst loop first, and what to do about it.
        trouble(feeder)
        found = page.locator("[data-finding^=open-circuit]")
        await expect(found).to_contain_text("Open circuit: no signal at all")
        await expect(found).to_contain_text("Failure at dp-402 since")
        await expect(found).to_contain_text("Measure at the input terminals")
        await expect(found).to_contain_text("Electrical 0.01 mA")
        await expect(found).to_contain_text("short circuit, reversed polarity or device failure")
        assert await page.evaluate(ORDER) == ["exhaust-plenum", "stair-b", "ahu-1-supply"]
        await expect(page.locator("[data-input=dp-402] [data-f=quality]")).to_have_text(
            "Bad: signal below the measuring band: failure"
        )
        await expect(page.locator("[data-loop=stair-b] [data-f=agree]")).to_contain_text("differs")
        await expect(page.locator("#verdict-text")).to_contain_text("2 of 3 loops need attention")
        await expect(page).to_have_title("(2) Loops · Harbour Street Archive")
        await picture(page, "wide-trouble", whole=True)
        assert await page.evaluate(CONTRAST) == []

        # And clears.
        feeder.findings, feeder.reasons, feeder.broken, feeder.feedback = [], {}, set(), {}
        await expect(page.locator(".finding")).to_have_count(0)
        await expect(page.locator("#verdict-text")).to_have_text("3 loops, nothing found wrong")
        assert await page.evaluate(ORDER) == ["stair-b", "ahu-1-supply", "exhaust-plenum"]
        assert watched.errors == []
        assert watched.outside == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
async def test_a_phone_in_light_and_dark(
    chromium: Browser, feeder: Feeder, scheme: Literal["light", "dark"]
) -> None:
    trouble(feeder)
    async with (
        feeding(feeder),
        serving(feeder) as address,
        page_of(chromium, address, PHONE, scheme=scheme) as (page, watched),
    ):
        await live(page)
        await expect(page.locator(".finding")).to_have_count(2)
        await expect(page.locator("[data-loop]").first).to_have_attribute(
            "data-loop", "exhaust-plenum"
        )
        width = "() => [document.documentElement.scrollWidth, window.innerWidth]"
        folded = page.locator("details:not([open]) > summary")
        await expect(folded).to_have_count(2 + 6)  # of two findings and of three loops
        while await folded.count():
            box = await folded.first.bounding_box()
            assert box
            assert box["height"] >= 24  # WCAG 2.2, success criterion 2.5.8: target size
            await folded.first.click()
        scroll, inner = await page.evaluate(width)
        assert scroll <= inner == 360
        await expect(page.locator(".deeper h3", has_text="The loop")).to_have_count(3)
        assert await page.evaluate(CONTRAST) == []
        await page.evaluate("window.scrollTo(0, 0)")
        await picture(page, f"phone-{scheme}")
        assert watched.errors == []


async def test_what_is_known_of_a_loop_is_unfolded(chromium: Browser, feeder: Feeder) -> None:
    async with feeding(feeder), serving(feeder) as address, page_of(chromium, address) as opened:
        page, watched = opened
        await live(page)
        stair = page.locator("[data-loop=stair-b]")
        learning = stair.locator("[data-deeper=learnt]")
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
        duct = page.locator("[data-loop=ahu-1-supply] [data-deeper=hidden]")
        await duct.locator("summary").click()
        await expect(duct.locator("h3")).to_have_text(["dp-301, dp-302", "The loop"])
        await expect(duct).to_contain_text("A dead wire reads a believable 0 inH₂O")
        await expect(duct).to_contain_text("Two inputs exchanged leave the minimum as it is")
        assert await page.evaluate(CONTRAST) == []
        await picture(page, "wide-unfolded", whole=True)
        # On paper what is folded stays off, and what is open has its heading.
        await page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
        await page.emulate_media(media="print")
        await expect(duct.locator("summary")).to_be_visible()
        await expect(stair.locator("[data-deeper=hidden]")).to_be_hidden()
        assert watched.errors == []


async def test_what_is_wrong_with_the_gateway_itself_is_said_above_all(
    chromium: Browser, feeder: Feeder
) -> None:
    async with feeding(feeder), serving(feeder) as address, page_of(chromium, address) as opened:
        page, _ = opened
        await live(page)
        await expect(page.locator("#troubles")).to_be_hidden()
        feeder.troubles = {"history-not-recorded": "The history is not recorded: disk is full"}
        said = page.locator("#troubles")
        await expect(said).to_have_text("The history is not recorded: disk is full.")
        await expect(page.locator("#verdict-text")).to_have_text("3 loops, nothing found wrong")
        await expect(page.locator("#tally")).to_contain_text("1 alarm")
        await picture(page, "wide-disk-full")
        feeder.troubles = {}
        await expect(said).to_be_hidden()
        await expect(page.locator("#tally")).to_contain_text("1 alarm")


async def test_a_gateway_that_does_not_answer_is_said(chromium: Browser, feeder: Feeder) -> None:
    async with feeding(feeder), serving(feeder) as address, page_of(chromium, address) as opened:
        page, _ = opened
        await live(page)
        await page.route("**/api/v1/loops/stair-b", lambda route: route.abort())
        hidden = page.locator("[data-loop=stair-b] [data-deeper=hidden]")
        await hidden.locator("summary").click()
        await expect(hidden).to_contain_text("The gateway did not answer")
        await page.unroute("**/api/v1/loops/stair-b")
        await hidden.locator("summary").click()
        await hidden.locator("summary").click()
        await expect(hidden).to_contain_text("Reversed polarity")


async def test_old_values_never_look_live(chromium: Browser, feeder: Feeder) -> None:
    port = 0
    async with page_of(chromium, "about:blank", WIDE) as (page, watched):
        async with feeding(feeder):
            async with serving(feeder) as address:
                port = int(address.rsplit(":", 1)[1].strip("/"))
                await page.goto(address)
                await live(page)
            # The server is gone.
            warning = page.locator("#warning")
            await expect(warning).to_contain_text("No connection to the gateway")
            await expect(warning).to_contain_text("What you see is from")
            old = page.locator("[data-loop=stair-b] [data-f=asof]")
            await expect(old).to_contain_text("Not live: from")
            await expect(page).to_have_title("Not live: Loops · Harbour Street Archive")
            assert await page.evaluate(CONTRAST) == []
            await picture(page, "lost")
            # It comes back: the page resumes by itself.
            async with serving(feeder, port=port):
                await expect(page.locator("body")).to_have_attribute(
                    "data-feed", "live", timeout=15_000
                )
                await expect(warning).to_be_hidden()
                await expect(old).to_be_hidden()
                # The gateway answers but has no new rows.
                feeder.silent = True
                await expect(warning).to_contain_text("no new readings", timeout=15_000)
                await expect(old).to_contain_text("Not live: from")
                feeder.silent = False
                await expect(warning).to_be_hidden()
            # Another site file: the page renews itself.
            annex = Feeder(archive("Harbour Street Annex"), interval=0.5)
            async with feeding(annex), serving(annex, port=port):
                await expect(page.locator(".site")).to_have_text(
                    "Harbour Street Annex", timeout=15_000
                )
                await live(page)
        refused = [e for e in watched.errors if "ERR_CONNECTION_REFUSED" not in e]
        assert [e for e in refused if "ERR_INCOMPLETE_CHUNKED_ENCODING" not in e] == []


TURN = """(word) => {
  Object.defineProperty(document, "hidden", { value: word === "hidden", configurable: true });
  document.dispatchEvent(new Event("visibilitychange"));
}"""


async def test_a_phone_put_away_and_taken_out(chromium: Browser, feeder: Feeder) -> None:
    async with (
        feeding(feeder),
        serving(feeder) as address,
        page_of(chromium, address, PHONE) as (page, watched),
    ):
        await live(page)
        await page.evaluate(TURN, "hidden")
        await expect(page.locator("body")).to_have_attribute("data-feed", "paused")
        await expect(page.locator("[data-f=asof]").first).to_contain_text("Not live: from")
        before = await page.locator(FIGURE).inner_text()
        await asyncio.sleep(1.2)
        assert await page.locator(FIGURE).inner_text() == before
        await page.evaluate(TURN, "shown")
        await live(page)
        await expect(page.locator(FIGURE)).not_to_have_text(before)
        assert watched.errors == []


async def test_hostile_names_are_shown_as_text(chromium: Browser) -> None:
    site = archive(HOSTILE)
    stair = site.loops["stair-b"].model_copy(update={"name": HOSTILE})
    feeder = Feeder(archive(HOSTILE, loops={**site.loops, "stair-b": stair}), interval=0.5)
    finding = open_circuit(time.time())
    words = ("title", "next_check", "consequence", "subject")
    feeder.findings = [
        finding.__class__(
            **{**vars(finding), **dict.fromkeys(words, HOSTILE), "rivals": (HOSTILE,)}
        )
    ]
    async with feeding(feeder), serving(feeder) as address, page_of(chromium, address) as opened:
        page, watched = opened
        await live(page)
        await expect(page.locator("[data-loop=stair-b] h2")).to_have_text(HOSTILE)
        await expect(page.locator(".finding [data-f=title]")).to_have_text(HOSTILE)
        assert await page.locator("main img, main script").count() == 0
        assert watched.errors == []


async def test_with_the_keyboard_and_on_paper(chromium: Browser, feeder: Feeder) -> None:
    trouble(feeder)
    async with feeding(feeder), serving(feeder) as address, page_of(chromium, address) as opened:
        page, watched = opened
        await live(page)
        await expect(page.locator(".finding")).to_have_count(2)
        await page.keyboard.press("Tab")
        await expect(page.locator(".skip")).to_be_focused()
        await page.keyboard.press("Enter")
        await expect(page.locator("main")).to_be_focused()
        summary = page.locator("[data-loop=exhaust-plenum] .finding summary")
        await page.keyboard.press("Tab")
        await expect(page.locator("#tally")).to_be_focused()
        await page.keyboard.press("Tab")
        await expect(summary).to_be_focused()
        await page.keyboard.press("Enter")
        evidence = page.locator("[data-loop=exhaust-plenum] [data-f=evidence]")
        await expect(evidence).to_be_hidden()
        # Paper shows what is folded away on the screen.
        await page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
        await page.emulate_media(media="print")
        await expect(evidence).to_be_visible()
        await expect(page.locator(".skip")).to_be_hidden()
        await expect(page.locator("#paper")).to_have_text(re.compile(r"^Values of .*\d+ UTC$"))
        await picture(page, "print", whole=True)
        assert watched.errors == []
