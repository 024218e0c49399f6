"""The page of one loop in a real browser."""

from __future__ import annotations

import re
import time
from collections.abc import AsyncIterator, Awaitable
from contextlib import asynccontextmanager
from dataclasses import replace
from typing import Any, Literal

import numpy as np
import pytest
from playwright.async_api import Browser, Page, expect

from gateway.alarm.actions import acknowledge

from .archive import START, mismatch, with_door
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
from .schooled import schooled

pytestmark = pytest.mark.server


@pytest.fixture
def feeder() -> Feeder:
    return Feeder(with_door(), interval=0.5)


@asynccontextmanager
async def opened(
    chromium: Browser, feeder: Feeder, loop: str, size: tuple[int, int] = WIDE, **how: Any
) -> AsyncIterator[tuple[Page, Watched]]:
    """The page of a loop, live."""
    async with (
        feeding(feeder), serving(feeder) as address,
        page_of(chromium, f"{address}loops/{loop}", size, **how) as (page, watched),
    ):  # fmt: skip
        await live(page)
        yield page, watched


async def test_what_it_is_doing_now(chromium: Browser, feeder: Feeder) -> None:
    async with opened(chromium, feeder, "stair-b") as (page, watched):
        await expect(page).to_have_title("Stair B pressurization · Harbour Street Archive")
        await expect(page.locator("[data-f=agree]")).to_have_text("agrees")
        await expect(page.locator("[data-f=limits]")).to_have_text("25.0 to 80.0")
        await expect(page.locator("[data-f=does]")).to_contain_text("Both count alike")
        # 40 N + 0.91 m x 1.9383 m2 x 50 Pa / (2 x 0.835 m) = 92.8 N: form of NYC BC 909.6.2.
        await expect(page.locator("[data-f=door]")).to_have_text(
            re.compile(r"^9\d N to open, of 133 N$")
        )
        caution = page.locator("[data-f=caution]")
        await expect(caution).to_contain_text("It reaches its limit at 88.1 Pa")
        await expect(caution).to_contain_text("the authority having jurisdiction")
        feeder.trouble()
        await expect(page.locator("[data-f=agree]")).to_contain_text("differs by")
        await expect(page.locator("[data-f=word]")).to_have_text("Out of specification, 1 finding")
        await expect(page.locator(".findings")).to_contain_text("Read the controller's setting")
        assert await violations(page) == []
        await picture(page, "loop-trouble", whole=True)
        assert watched.errors == []
        assert watched.outside == []
        assert await watched.loaded() < FIRST_LOAD


@pytest.mark.parametrize(
    ("loop", "words"),
    [("ahu-1-supply", r"The lowest counts, which now is dp-30\d, 0\.\d+ inH₂O from the next\."),
     ("exhaust-plenum", r"The middle one counts, which now is dp-40\d\.")],
)  # fmt: skip
async def test_which_transducer_decides_is_said(
    chromium: Browser, feeder: Feeder, loop: str, words: str
) -> None:
    async with opened(chromium, feeder, loop) as (page, _):
        await expect(page.locator("[data-f=does]")).to_have_text(re.compile(words))
        decides = page.locator("[data-f=drives]:visible")
        await expect(decides).to_have_count(1)
        feeder.trouble()
        if loop == "exhaust-plenum":
            await expect(page.locator("[data-f=does]")).to_contain_text(
                "dp-402 is bad; the controller goes on using it."
            )
            await expect(page.locator("[data-f=believed]")).to_have_text(
                re.compile(r"^\S\d+\.\d Pa without dp-402$")
            )


async def drawn(page: Page, share: float, panel: str = "pressure") -> int:
    number: int = await page.evaluate(DRAWN, [panel, share])
    return number


async def test_a_trend_with_its_gap_that_goes_on(chromium: Browser, feeder: Feeder) -> None:
    async with opened(chromium, feeder, "stair-b") as (page, watched):
        await page.wait_for_function(f"() => ({DRAWN})(['pressure', 0.25]) > 0")
        # The hole that the feeder's past has, 5 to 4 minutes ago, stays a hole.
        await page.wait_for_function(f"() => ({DRAWN})(['pressure', 0.55]) === 0")
        assert await drawn(page, 0.75) > 0
        for panel in ("output", "apart"):
            assert await drawn(page, 0.25, panel) > 0
            assert await drawn(page, 0.55, panel) == 0
        # New rows are drawn up to the very end.
        await page.wait_for_function(f"() => ({DRAWN})(['pressure', 0.999]) > 0")
        keys = page.locator(".keys").first
        await expect(keys.locator("tr", has_text="set point")).to_contain_text("50.0")
        await expect(page.locator(".keys").nth(2)).to_contain_text("dp-201 less dp-202")
        # A line can be taken away, by keyboard too.
        box = keys.locator("tr", has_text="combined").get_by_role("checkbox")
        await box.focus()
        await page.keyboard.press("Space")
        await expect(box).not_to_be_checked()
        assert watched.errors == []


HISTORY = re.compile(r"/api/v1/history\?.*&from=([\d.]+)&to=([\d.]+)&buckets=(\d+)$")


async def asked(page: Page, deed: Awaitable[Any]) -> tuple[float, float, int]:
    """From, to and buckets of the history that is asked for in consequence of a deed."""
    async with page.expect_request(lambda request: bool(HISTORY.search(request.url))) as told:
        await deed
    found = HISTORY.search((await told.value).url)
    assert found
    return float(found[1]), float(found[2]), int(found[3])


async def test_from_minutes_to_a_year_and_back(chromium: Browser, feeder: Feeder) -> None:
    async with opened(chromium, feeder, "stair-b") as (page, watched):
        panels = page.locator(".panels")
        for name, seconds in (("1 h", 3600), ("8 h", 28800), ("1 year", 31536000)):
            start, end, buckets = await asked(page, page.get_by_label(name, exact=True).check())
            assert end - start == pytest.approx(seconds, abs=2)
            assert 500 < buckets <= 1200
        await page.wait_for_function(f"() => ({DRAWN})(['pressure', 0.25]) > 0")
        await picture(page, "loop-year", whole=True)
        # Closer, earlier, and at last back to now.
        start, end, _ = await asked(page, page.get_by_role("button", name="Closer").click())
        assert end - start == pytest.approx(31536000 / 2, abs=2)
        now = end
        start, end, _ = await asked(page, page.get_by_role("button", name="Earlier").click())
        assert now - end == pytest.approx(31536000 / 4, rel=1e-4)
        pressed = page.get_by_role("button", name="Now")
        await expect(pressed).to_have_attribute("aria-pressed", "false")
        assert re.search(r"\?from=\d+&to=\d+$", page.url)
        # Kept or sent, the address shows the same again.
        kept_start, kept_end, _ = await asked(page, page.reload())
        assert (kept_start, kept_end) == pytest.approx((start, end), abs=1)
        await page.wait_for_function(f"() => ({DRAWN})(['pressure', 0.25]) > 0")
        await expect(pressed).to_have_attribute("aria-pressed", "false")
        await panels.focus()
        again, _, _ = await asked(page, page.keyboard.press("ArrowLeft"))
        assert start - again == pytest.approx(0.2 * (end - start), rel=1e-3)
        wide, far, _ = await asked(page, page.keyboard.press("-"))
        assert far - wide == pytest.approx(2 * (end - start), rel=0.01)
        await asked(page, page.keyboard.press("Home"))
        await expect(pressed).to_have_attribute("aria-pressed", "true")
        assert watched.errors == []


async def test_a_piece_is_chosen_by_dragging_and_by_typing(
    chromium: Browser, feeder: Feeder
) -> None:
    async with opened(chromium, feeder, "stair-b") as (page, watched):
        await page.wait_for_function(f"() => ({DRAWN})(['pressure', 0.25]) > 0")
        box = await page.locator(".canvas.pressure .u-over").bounding_box()
        assert box
        y = box["y"] + box["height"] / 2
        await page.mouse.move(box["x"] + 0.2 * box["width"], y)
        await page.mouse.down()
        await page.mouse.move(box["x"] + 0.3 * box["width"], y, steps=5)
        start, end, _ = await asked(page, page.mouse.up())
        assert end - start == pytest.approx(60, rel=0.1)
        # At the pointer the key says what was read.
        await page.wait_for_function(f"() => ({DRAWN})(['pressure', 0.5]) > 0")
        await page.mouse.move(box["x"] + 0.5 * box["width"], y)
        at = page.locator(".keys").first.locator("tr", has_text="set point").locator("td").first
        await expect(at).to_have_text("50.0")
        await page.get_by_text("Choose times").click()
        await page.get_by_label("From").fill("2026-05-28T20:00:00")
        await page.get_by_label("Up to").fill("2026-05-28T21:00:00")
        start, end, _ = await asked(page, page.get_by_role("button", name="Show").click())
        # 2026-05-28T20:26:40Z is 1 780 000 000 s since 1970 (date -u -d @1780000000).
        assert (start, end) == (START - 1600, START + 2000)
        await expect(page.locator("[data-t=said]")).to_have_text(
            "28 May 2026, 20:00:00 to 21:00:00"
        )
        await page.get_by_label("Up to").fill("2026-05-28T19:00:00")
        await page.get_by_role("button", name="Show").click()
        await expect(page.locator("[data-t=hint]")).to_contain_text("the first before the second")
        assert watched.errors == []


async def test_findings_alarms_and_deeds_stand_on_the_axis(
    chromium: Browser, feeder: Feeder
) -> None:
    feeder.row(time.time() - 2)
    feeder.trouble()
    async with opened(chromium, feeder, "exhaust-plenum") as (page, watched):
        wire = page.locator(".spell", has_text="Open circuit")
        await expect(wire).to_have_count(1)
        lane = await page.locator(".lanes").bounding_box()
        box = await wire.bounding_box()
        assert lane
        assert box
        # It began 95 s before the page was asked for, of 600 s, and goes on.
        ago = time.time() - feeder.findings[1].since
        assert (box["x"] - lane["x"]) / lane["width"] == pytest.approx(1 - ago / 600, abs=0.03)
        assert box["x"] + box["width"] == pytest.approx(lane["x"] + lane["width"], abs=2)
        await wire.click()
        detail = page.locator("[data-t=detail]")
        await expect(detail).to_contain_text("Measure at the input terminals")
        await expect(detail).to_contain_text("goes on")
        await expect(wire).to_have_attribute("aria-pressed", "true")
        assert await violations(page) == []
        await picture(page, "loop-chosen", whole=True)
        await feeder.live.alarms.act(acknowledge("open-circuit:dp-402", "Ada Night", "on my way"))
        deed = page.locator(".deed")
        await expect(deed).to_have_attribute(
            "aria-label", re.compile("Ada Night acknowledged Open circuit.*: on my way$")
        )
        await deed.click()
        await expect(detail).to_contain_text("Ada Night acknowledged")
        assert await violations(page) == []
        await picture(page, "loop-happened", whole=True)
        feeder.mend()
        await expect(wire).not_to_have_attribute("data-open", "")
        assert watched.errors == []


async def test_a_history_that_cannot_be_read_is_said(chromium: Browser, feeder: Feeder) -> None:
    async with opened(chromium, feeder, "stair-b") as (page, _):
        await page.route("**/api/v1/history?**", lambda route: route.abort())
        await page.get_by_label("1 h", exact=True).check()
        hint = page.locator("[data-t=hint]")
        await expect(hint).to_contain_text("The history cannot be read now")
        await page.unroute("**/api/v1/history?**")
        await expect(hint).to_contain_text("Drag over a plot")


@pytest.mark.parametrize("scheme", ["light", "dark"])
async def test_on_a_phone(
    chromium: Browser, feeder: Feeder, scheme: Literal["light", "dark"]
) -> None:
    feeder.row(time.time() - 2)
    feeder.trouble()
    async with opened(chromium, feeder, "exhaust-plenum", PHONE, scheme=scheme) as (page, watched):
        await page.wait_for_function(f"() => ({DRAWN})(['apart', 0.25]) >= 0")
        await expect(page.locator(".spell")).to_have_count(1)
        assert await unfit(page) == []
        assert await violations(page) == []
        await picture(page, f"loop-phone-{scheme}", whole=True)
        assert watched.errors == []


async def test_a_feedback_of_swapped_words_fits_a_phone(
    chromium: Browser, feeder: Feeder, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Registers read in the wrong order are any number that 32 bits hold."""
    past = feeder._past
    monkeypatch.setattr(
        feeder, "_past",
        lambda name, when: past(name, when) * (1e36 if name.endswith("feedback") else 1.0),
    )  # fmt: skip
    feeder.row(time.time() - 2)
    feeder.feedback = {"stair-b": -2.13107e37}
    wild: dict[str, float | str] = {"reported_Pa": 1.44407e17, "computed_Pa": 50.0}
    feeder.findings = [replace(mismatch(time.time()), evidence=wild)]
    async with opened(chromium, feeder, "stair-b", PHONE) as (page, watched):
        await page.wait_for_function(f"() => ({DRAWN})(['apart', 0.25]) >= 0")
        await expect(page.locator("[data-f=agree]")).to_have_text("differs by 2.13e37")
        await expect(page.locator(".findings")).to_contain_text("Reported 1.44e17 Pa")
        assert await unfit(page) == []
        assert watched.errors == []


async def test_a_signal_of_nothing_has_no_minus(
    chromium: Browser, feeder: Feeder, monkeypatch: pytest.MonkeyPatch
) -> None:
    """-0.1 Pa of 2 inH2O (498 Pa) on 0 to 10 V are -2 mV: 0.00 V, not -0.00 V."""
    monkeypatch.setattr(
        "tests.web.feeder.moving", lambda site, _t: np.full(len(site.transducers), -0.1)
    )
    async with opened(chromium, feeder, "ahu-1-supply") as (page, _watched):
        await expect(page.locator("[data-f=signal]").first).to_have_text("0.00 V")


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
