"""The page of findings in a real browser: open ones, and those that are over."""

from __future__ import annotations

import re
import time
from dataclasses import replace
from typing import Literal

import pytest
from playwright.async_api import Browser, expect

from gateway.diagnose.findings import Status

from .archive import archive, mismatch, open_circuit
from .browsing import PHONE, live, page_of, picture, unfit, violations
from .feeder import Feeder, feeding, serving
from .test_web_api import HOSTILE

pytestmark = pytest.mark.server


@pytest.fixture
def feeder() -> Feeder:
    there = Feeder(archive(), interval=0.5)
    there.row(time.time() - 2)
    return there


async def test_open_and_afterwards_over(chromium: Browser, feeder: Feeder) -> None:
    async with (
        feeding(feeder), serving(feeder) as address,
        page_of(chromium, f"{address}findings") as (page, watched),
    ):  # fmt: skip
        await live(page)
        verdict = page.locator("#verdict-text")
        await expect(verdict).to_have_text("No open findings")
        await expect(page.locator("#empty")).to_be_visible()
        await expect(page.locator("#told")).to_have_text("None.")
        feeder.trouble()
        await expect(verdict).to_have_text("2 open findings: 1 failure, 1 out of specification")
        cards = page.locator("#open .finding")
        await expect(cards.first).to_contain_text("dp-402 Open circuit")
        await expect(cards.nth(1)).to_contain_text("Stair B pressurization")
        await expect(page).to_have_title("(2) Findings · Harbour Street Archive")
        assert await violations(page) == []
        await picture(page, "findings", whole=True)
        await page.get_by_role("link", name="dp-402").click()
        await expect(page.locator("h1")).to_have_text("dp-402")
        await page.go_back()
        feeder.mend()
        await expect(cards).to_have_count(0)
        over = page.locator("#earlier li")
        await expect(over).to_have_count(2)
        await over.filter(has_text="dp-402").locator("summary").first.click()
        await expect(over.filter(has_text="dp-402")).to_contain_text("Signal 0.01 mA")
        await page.get_by_label("Transducer, loop or controller").fill("stair-b")
        await page.get_by_role("button", name="Search").click()
        await expect(over).to_have_count(1)
        assert await violations(page) == []
        assert watched.errors == []
        assert watched.outside == []


async def test_many_are_searched_and_turned(chromium: Browser, feeder: Feeder) -> None:
    now = time.time()
    keys = list(feeder.live.site.transducers)
    kinds = {
        "open-circuit": Status.FAILURE,
        "frozen": Status.FAILURE,
        "zero-drift": Status.MAINTENANCE_REQUIRED,
        "excess-noise": Status.OUT_OF_SPECIFICATION,
    }
    feeder.findings = [
        replace(open_circuit(now - 60 * n), fault=fault, status=status, subject=key,
                transducer=key, loops=feeder.live.site.loops_of(key))
        for n, key in enumerate(keys)
        for fault, status in kinds.items()
    ]  # fmt: skip
    async with (
        feeding(feeder), serving(feeder) as address,
        page_of(chromium, f"{address}findings") as (page, watched),
    ):  # fmt: skip
        cards = page.locator("#open .finding")
        await expect(cards).to_have_count(20)
        await expect(page.locator("#leaf")).to_have_text("1 to 20 of 28")
        await page.get_by_role("button", name="Next").click()
        await expect(cards).to_have_count(8)
        await page.get_by_label("Maintenance required").check()
        await expect(cards).to_have_count(7)
        await page.get_by_label("Find a fault").fill("level 9")
        await expect(cards).to_have_count(1)
        await expect(cards).to_contain_text("dp-202")
        assert await violations(page) == []
        await page.reload()
        await expect(cards).to_have_count(1)
        assert watched.errors == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
async def test_on_a_phone(
    chromium: Browser, feeder: Feeder, scheme: Literal["light", "dark"]
) -> None:
    feeder.findings = [
        replace(mismatch(time.time() - 60), title=HOSTILE),
        open_circuit(time.time()),
    ]
    async with (
        feeding(feeder), serving(feeder) as address,
        page_of(chromium, f"{address}findings", PHONE, scheme=scheme) as (page, watched),
    ):  # fmt: skip
        await expect(page.locator("#open .finding")).to_have_count(2)
        await expect(page.locator("#open")).to_contain_text(HOSTILE)
        assert await page.locator("main img, main script").count() == 0
        assert await unfit(page) == []
        assert await violations(page) == []
        await picture(page, f"findings-phone-{scheme}", whole=True)
        assert watched.errors == []


async def test_how_a_line_was_fitted_is_for_whoever_asks(chromium: Browser, feeder: Feeder) -> None:
    numbers: dict[str, float | str] = {
        "gain": 1.81, "gain_standard_error": 0.026, "offset_percent_of_span": -0.4, "minutes": 5.0,
        "controller_shows_Pa": 74.0, "pressure_Pa": 30.0, "implied_low_Pa": -25.5,
        "implied_high_Pa": 200.6, "cannot_tell_from": "none",
    }  # fmt: skip
    feeder.findings = [
        replace(open_circuit(time.time()), fault="range-mismatch", evidence=numbers),
    ]
    async with (
        feeding(feeder), serving(feeder) as address,
        page_of(chromium, f"{address}findings") as (page, _),
    ):  # fmt: skip
        card = page.locator("#open .finding")
        first, asked = card.locator("[data-f=evidence]"), card.locator("details [data-f=workings]")
        await expect(first).to_contain_text("Controller shows 74.0 Pa")
        told = re.sub(r"\s+", " ", await first.inner_text()).strip()
        assert told == (
            "Controller shows 74.0 Pa We make of it 30.0 Pa As if scaled from -25.5 Pa "
            "Up to 200.6 Pa"
        ).replace("-", "\N{MINUS SIGN}")
        workings = re.sub(r"\s+", " ", await asked.inner_text()).strip()
        # What was read then is not taken for what is read now.
        await expect(card.locator("[data-f=then]")).to_have_text("When this was found:")
        await expect(card.locator("[data-f=then]")).to_be_visible()
        assert workings.startswith("Gain 1.81 Gain standard error 0.026 Offset of span")


async def test_evidence_is_in_words_and_of_its_own_fault(chromium: Browser, feeder: Feeder) -> None:
    now = time.time()
    shared = {"noise_Pa": 0.25, "excursions_in_ten": 7.0, "largest_Pa": 31.0, "top_Pa": 51.8}
    feeder.findings = [
        replace(open_circuit(now), fault="tube-restricted", evidence=shared),
        replace(open_circuit(now - 1), fault="flat-top", evidence=shared),
        replace(mismatch(now), fault="hunting",
                evidence={"period_s": 12.2, "loads": 15.8, "samples_per_period": 12.2}),
    ]  # fmt: skip
    async with (
        feeding(feeder), serving(feeder) as address,
        page_of(chromium, f"{address}findings") as (page, _),
    ):  # fmt: skip
        told = page.locator("#open .finding [data-f=evidence]")
        await expect(told).to_have_count(3)
        texts = sorted(await told.all_inner_texts())
        assert [re.sub(r"\s+", " ", text).strip() for text in texts] == [
            "Noise 0.25 Pa",
            "Noise 0.25 Pa Top 51.80 Pa",
            "Period 12.2 s Readings a period 12.2",
        ]
