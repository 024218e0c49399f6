"""What every page has around it, in a real browser: live or not, names as text, keys, paper."""

from __future__ import annotations

import asyncio
import re
import time

import pytest
from playwright.async_api import Browser, expect

from .archive import archive, open_circuit
from .browsing import PHONE, WIDE, live, page_of, picture, violations
from .feeder import Feeder, feeding, serving
from .test_web_api import HOSTILE

pytestmark = pytest.mark.server

STAIR = "[data-row='loop stair-b']"
FIGURE = f"{STAIR} [data-f=combined]"


@pytest.fixture
def feeder() -> Feeder:
    return Feeder(archive(), interval=0.5)


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
            old = page.locator("#asof")
            await expect(old).to_contain_text("Not live: from")
            await expect(page).to_have_title("Not live: Loops · Harbour Street Archive")
            assert await violations(page) == []
            await picture(page, "lost")
            # It comes back: the page resumes by itself.
            async with serving(feeder, port=port):
                await expect(page.locator("body")).to_have_attribute(
                    "data-feed", "live", timeout=60_000
                )
                await expect(warning).to_be_hidden()
                await expect(old).to_be_hidden()
                # The gateway answers but has no new rows.
                feeder.silent = True
                await expect(warning).to_contain_text("no new readings", timeout=60_000)
                await expect(old).to_contain_text("Not live: from")
                feeder.silent = False
                await expect(warning).to_be_hidden()
            # Another site file: the page renews itself.
            annex = Feeder(archive("Harbour Street Annex"), interval=0.5)
            async with feeding(annex), serving(annex, port=port):
                await expect(page.locator(".site")).to_have_text(
                    "Harbour Street Annex", timeout=60_000
                )
                await live(page)
        assert [e for e in watched.errors if not GONE.search(e)] == []


GONE = re.compile(
    r"net::ERR_(CONNECTION_REFUSED|CONNECTION_RESET|EMPTY_RESPONSE|INCOMPLETE_CHUNKED_ENCODING)"
)
"""How a server that goes away looks, by the instant at which it does."""
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
        await expect(page.locator("#asof")).to_contain_text("Not live: from")
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
        await expect(page.locator(f"{STAIR} h2")).to_have_text(HOSTILE)
        await expect(page.locator(".finding [data-f=title]")).to_have_text(HOSTILE)
        assert await page.locator("main img, main script").count() == 0
        assert watched.errors == []


async def test_with_the_keyboard_and_on_paper(chromium: Browser, feeder: Feeder) -> None:
    feeder.trouble()
    async with feeding(feeder), serving(feeder) as address, page_of(chromium, address) as opened:
        page, watched = opened
        await live(page)
        await expect(page.locator(".finding")).to_have_count(2)
        await page.keyboard.press("Tab")
        await expect(page.locator(".skip")).to_be_focused()
        await page.keyboard.press("Enter")
        await expect(page.locator("main")).to_be_focused()
        summary = page.locator("[data-row='loop exhaust-plenum'] .finding summary")
        await page.keyboard.press("Tab")
        await expect(page.locator("#tally")).to_be_focused()
        for words in ("Exhaust plenum", "dp-402"):
            await page.keyboard.press("Tab")
            await expect(page.get_by_role("link", name=words, exact=True)).to_be_focused()
        await page.keyboard.press("Tab")
        await expect(summary).to_be_focused()
        await page.keyboard.press("Enter")
        rivals = page.locator("[data-row='loop exhaust-plenum'] [data-f=rivals]")
        await expect(rivals).to_be_hidden()
        # Paper shows what is folded away on the screen.
        await page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
        await page.emulate_media(media="print")
        await expect(rivals).to_be_visible()
        await expect(page.locator(".skip")).to_be_hidden()
        await expect(page.locator("#paper")).to_have_text(re.compile(r"^Values of .*\d+ UTC$"))
        await picture(page, "print", whole=True)
        assert watched.errors == []


async def test_on_paper_a_list_has_its_heading(chromium: Browser, feeder: Feeder) -> None:
    """Journal and report stand on the page folded: paper has what was opened, with its name."""
    async with (
        feeding(feeder), serving(feeder) as address,
        page_of(chromium, f"{address}alarms") as (page, watched),
    ):  # fmt: skip
        await page.locator("#journal summary").click()
        await expect(page.locator("#journal .search")).to_be_visible()
        await page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
        await page.emulate_media(media="print")
        await expect(page.locator("#journal h2")).to_be_visible()
        await expect(page.locator("#journal .search")).to_be_hidden()
        await expect(page.locator("#report")).to_be_hidden()
        assert watched.errors == []
