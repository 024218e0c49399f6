"""The alarms page in a real browser: who acts, what everybody sees, by keyboard and on a phone."""

from __future__ import annotations

import re
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any, Literal

import httpx
import pytest
from playwright.async_api import Browser, Page, Route, expect

from gateway.measure.quality import Reason
from tests.publish.made import until

from .archive import archive, mismatch, open_circuit
from .browsing import LARGER_PHONE, WIDE, Watched, page_of, picture, unfit, violations
from .feeder import Feeder, feeding, serving
from .persons import ADA, OLIVE, TESS, door, signed_in
from .test_web_api import HOSTILE

pytestmark = pytest.mark.server

WIRE = '[data-alarm="open-circuit:dp-402"]'
OTHER = '[data-alarm="combination-mismatch:stair-b"]'
PERSON = TESS


@pytest.fixture
def feeder() -> Feeder:
    """A wire broke, which its loop suffers from; another loop is set wrongly."""
    there = Feeder(archive(), interval=0.5)
    there.row(time.time() - 2)
    now = time.time() - 1
    there.findings = [open_circuit(now), mismatch(now, "exhaust-plenum"), mismatch(now)]
    there.reasons = {"dp-402": Reason.FAILURE_LOW}
    there.broken = {"dp-402"}
    return there


@asynccontextmanager
async def alarms(
    chromium: Browser,
    feeder: Feeder,
    size: tuple[int, int] = WIDE,
    *,
    scheme: Literal["light", "dark"] = "light",
) -> AsyncIterator[tuple[Page, Watched, str]]:
    """The page, showing both alarms to a technician who has signed in; its address."""
    async with (
        feeding(feeder),
        serving(feeder) as address,
        page_of(chromium, f"{address}alarms", size, scheme=scheme) as (page, watched),
    ):
        await signed_in(page, address, PERSON)
        await expect(page.locator("[data-alarm]")).to_have_count(2)
        yield page, watched, address


async def sign(page: Page, **fields: str) -> None:
    """Fill in the form that is open, and send it."""
    form = page.locator("#deed form")
    for name, text in fields.items():
        await form.locator(f"input[name={name}]").fill(text)
    await form.locator("[type=submit]").click()


async def press(page: Page, where: str, button: str) -> None:
    await page.locator(where).get_by_role("button", name=button).click()


async def asked(address: str, path: str) -> Any:
    async with httpx.AsyncClient(timeout=60) as client:
        answer = await client.get(f"{address}api/v1/{path}")
        assert answer.status_code == 200, answer.text
        return answer.json()


async def test_a_broken_wire_is_one_alarm_and_is_acknowledged(
    chromium: Browser, feeder: Feeder
) -> None:
    async with alarms(chromium, feeder) as (page, watched, address):
        await expect(page.locator("#verdict-text")).to_have_text("2 alarms, 2 not acknowledged")
        await expect(page).to_have_title("(2) Alarms · Harbour Street Archive")
        card = page.locator(WIRE)
        for words in ("Open circuit: no signal at all", "Medium priority", "Not acknowledged",
                      "Failure at dp-402, Exhaust plenum, middle", "Measure at the input terminals",
                      "The median falls to the lower"):  # fmt: skip
            await expect(card).to_contain_text(words)
        await expect(card.locator("li")).to_be_hidden()
        await card.get_by_text("Explains 1 other alarm").click()
        await expect(card.locator("li")).to_contain_text(
            "The controller combines its inputs in another way at exhaust-plenum, since"
        )
        await picture(page, "alarms-wide", whole=True)
        assert await violations(page) == []

        await press(page, WIRE, "Acknowledge")
        await sign(page, reason="on my way")
        await expect(page.locator("#told")).to_have_text(
            "Acknowledged: Open circuit: no signal at all at dp-402"
        )
        await expect(card.locator("[data-f=state]")).to_have_text("Acknowledged")
        await expect(card.get_by_role("button", name="Acknowledge")).to_have_count(0)
        await expect(page.locator("#verdict-text")).to_have_text("2 alarms, 1 not acknowledged")
        seen = await asked(address, "alarms/open-circuit:dp-402")
        assert (seen["state"], seen["acknowledged"]) == ("active acknowledged", True)
        (entry,) = (await asked(address, f"journal?actor={PERSON}&kind=alarm"))["entries"]
        assert (entry["event"], entry["reason"]) == ("acknowledge", "on my way")

        await press(page, OTHER, "Acknowledge")
        await expect(page.locator("[data-f=as]")).to_have_text(f"As {PERSON}, technician")
        await page.locator("#deed [type=submit]").click()
        await expect(page.locator("#verdict-text")).to_have_text("2 alarms, all acknowledged")
        kept = await page.evaluate("[sessionStorage.length, localStorage.length, document.cookie]")
        assert kept == [0, 0, ""], "scripts see nothing of who is signed in"
        assert watched.errors == []
        assert watched.outside == []

        # What is repaired is gone, without a reload.
        feeder.findings, feeder.broken, feeder.reasons = [], set(), {}
        last = feeder.number
        await until(lambda: feeder.number > last)
        feeder.ahead = 60  # beyond the off-delay
        await expect(page.locator("[data-alarm]")).to_have_count(0)
        await expect(page.locator("#verdict-text")).to_have_text("No alarms")


async def test_shelved_and_back_when_its_time_is_over(chromium: Browser, feeder: Feeder) -> None:
    async with alarms(chromium, feeder) as (page, watched, _address):
        await press(page, WIRE, "Shelve")
        await page.locator("[name=minutes]").select_option("15 minutes")
        await sign(page, reason="spare part on the way")
        await expect(page.locator(WIRE)).to_have_count(0)
        held = page.locator("[data-aside]")
        await expect(held).to_contain_text("Open circuit: no signal at all at dp-402")
        await expect(held).to_contain_text("With 1 alarm that it explains")
        await expect(held).to_contain_text(f"{PERSON}: spare part on the way. Back by itself at")
        await expect(held).to_contain_text("(in 15 min)")
        await expect(page.locator("#nothing-aside")).to_be_hidden()
        await expect(page.locator("#verdict-text")).to_have_text(
            "1 alarm, not acknowledged; 1 shelved"
        )
        feeder.ahead = 16 * 60
        await expect(page.locator(WIRE)).to_be_visible()
        await expect(held).to_have_count(0)
        await expect(page.locator("#nothing-aside")).to_be_visible()
        assert watched.errors == []


async def test_two_browsers_see_what_the_other_does(chromium: Browser, feeder: Feeder) -> None:
    async with (
        alarms(chromium, feeder) as (mine, _, address),
        page_of(chromium, f"{address}alarms", LARGER_PHONE) as (theirs, watched),
        page_of(chromium, address) as (wall, _),
    ):
        await signed_in(theirs, address, ADA)
        await expect(theirs.locator("[data-alarm]")).to_have_count(2)
        await expect(wall.locator("#tally")).to_have_text("2 alarms, 2 not acknowledged")
        await press(mine, WIRE, "Acknowledge")
        await press(theirs, WIRE, "Acknowledge")
        await sign(mine)
        await expect(theirs.locator(f"{WIRE} [data-f=state]")).to_have_text("Acknowledged")
        await expect(wall.locator("#tally")).to_have_text("2 alarms, 1 not acknowledged")
        # The other one was about to do the same: told in words, with what is left to do.
        await sign(theirs)
        await expect(theirs.locator("#deed [role=alert]")).to_contain_text(
            "it is acknowledged already"
        )
        await theirs.get_by_role("button", name="Cancel").click()
        await press(theirs, "#aside", "Take out of service")
        await theirs.locator("#deed [name=subject]").select_option("dp-301")
        await sign(theirs, reason="loop check")
        await expect(theirs.locator("#told")).to_have_text("Out of service: dp-301")
        await expect(mine.locator("[data-aside='transducer dp-301']")).to_contain_text("loop check")
        await press(mine, "[data-aside='transducer dp-301']", "Back in service")
        await mine.locator("#deed [type=submit]").click()
        await expect(theirs.locator("[data-aside]")).to_have_count(0)
        assert all("409" in text or "401" in text for text in watched.errors)


async def test_a_reason_is_text_and_never_markup(chromium: Browser, feeder: Feeder) -> None:
    async with alarms(chromium, feeder) as (page, watched, _address):
        await press(page, WIRE, "Shelve")
        await sign(page, reason=HOSTILE)
        await expect(page.locator("[data-aside]")).to_contain_text(HOSTILE)
        await page.locator("#journal > summary").click()
        await expect(page.locator("#journal tbody tr").first).to_contain_text(HOSTILE)
        assert await page.locator("main img, main script, main a[href^=javascript]").count() == 0
        assert all("422" in text for text in watched.errors)


async def test_out_of_service_is_marked_on_the_live_page(chromium: Browser, feeder: Feeder) -> None:
    async with alarms(chromium, feeder) as (page, watched, address):
        await press(page, OTHER, "Take stair-b out of service")
        await expect(page.locator("[data-f=caution]")).to_contain_text("arrange the impairment")
        await sign(page, reason="damper is being replaced")
        await expect(page.locator(OTHER)).to_have_count(0)
        out = page.locator("[data-aside='loop stair-b']")
        await expect(out).to_contain_text("With dp-201 and dp-202")
        await expect(out).to_contain_text("combination mismatch at stair-b")
        await page.goto(f"{address}loops/stair-b")
        sheet = page.locator("article[data-loop=stair-b]")
        await expect(sheet.locator("[data-f=word]")).to_contain_text("Function check until")
        await expect(sheet).to_have_attribute("data-level", "check")
        for key in ("dp-201", "dp-202"):
            words = page.locator(f"[data-input={key}] [data-f=quality]")
            await expect(words).to_contain_text("Function check until")
            await expect(words).to_contain_text("value good")
        assert await violations(page) == []
        await picture(page, "function-check", whole=True)
        await page.goto(address)
        row = page.locator("[data-row='loop stair-b']")
        await expect(row.locator("[data-f=word]")).to_have_text("Function check")
        await expect(row).to_have_attribute("data-level", "check")
        await expect(page.locator("#verdict-text")).to_contain_text("1 loop under function check")
        await expect(page.locator("#tally")).to_contain_text("out of service: stair-b")
        await page.locator("#tally").click()
        await expect(page.locator("[data-aside='loop stair-b']")).to_be_visible()
        await page.get_by_role("link", name="Loops").click()
        await expect(page.locator(".row")).to_have_count(3)
        assert watched.errors == []


async def test_journal_and_performance(chromium: Browser, feeder: Feeder) -> None:
    begun = time.time() - 2  # as in the fixture
    async with alarms(chromium, feeder) as (page, watched, _address):
        await press(page, "#aside", "Take out of service")
        await page.locator("#deed [name=subject]").select_option("dp-401")
        await sign(page, reason="calibration")
        await expect(page.locator("[data-aside]")).to_have_count(1)
        await page.locator("#journal > summary").click()
        rows = page.locator("#journal tbody tr")
        # However many alarms a transducer has, it is one line that says who and why.
        await expect(rows.first).to_contain_text("Out of service until")
        await expect(rows.first).to_contain_text("alarms")
        await expect(rows.first).to_contain_text("calibration")
        await expect(rows.nth(1)).not_to_contain_text("Out of service")
        await page.locator("[name=text]").fill("no SIGNAL")
        await page.locator("#journal [name=kind]").select_option("Alarms")
        await page.locator("#journal [name=subject]").select_option("dp-402")
        await page.get_by_role("button", name="Search").click()
        await expect(rows).to_have_count(1)
        await expect(rows).to_contain_text("Alarm began: Open circuit: no signal at all")
        days = [time.strftime("%Y-%m-%d", time.gmtime(t)) for t in (begun, time.time())]
        await page.locator("[name=from]").fill(days[0])
        await page.locator("[name=to]").fill(days[1])
        await page.get_by_role("button", name="Search").click()
        await expect(page.locator("#journal [data-f=told]")).to_have_text("1 entry, newest first")
        await page.locator("[name=from]").fill("2026-01-01")
        await page.locator("[name=to]").fill("2026-01-02")
        await page.get_by_role("button", name="Search").click()
        await expect(page.locator("#journal [data-f=told]")).to_contain_text("Nothing found")

        await page.locator("#report > summary").click()
        report = page.locator("#report tbody tr")
        await expect(report).to_have_count(12)
        await expect(report.nth(3)).to_contain_text("Most alarms in any 10 minutes")
        await expect(report.nth(3)).to_contain_text("at most 10")
        await expect(report.nth(3)).to_contain_text("Acceptable")
        await expect(page.locator("#report [data-f=told]")).to_contain_text(
            re.compile(r"^2 alarms in \d+ (s|min)\. The targets")
        )
        await page.locator("#report select").select_option("day")
        await expect(page.locator("#report [data-f=told]")).to_contain_text("made for 30 days")
        assert await violations(page) == []
        await picture(page, "alarms-journal", whole=True)
        assert watched.errors == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
async def test_on_a_phone(
    chromium: Browser, feeder: Feeder, scheme: Literal["light", "dark"]
) -> None:
    async with alarms(chromium, feeder, LARGER_PHONE, scheme=scheme) as (page, watched, _address):
        await press(page, WIRE, "Shelve")
        assert await violations(page) == []
        await picture(page, f"alarms-form-{scheme}")
        await sign(page, reason="spare part on the way")
        await expect(page.locator("[data-aside]")).to_have_count(1)
        for name in ("#journal", "#report"):
            await page.locator(f"{name} > summary").click()
            await expect(page.locator(f"{name} tbody tr").first).to_be_visible()
        assert await unfit(page) == []
        assert await violations(page) == []
        await picture(page, f"alarms-phone-{scheme}", whole=True)
        assert watched.errors == []


async def late(route: Route) -> None:
    """As over a slow network: by the page's clock the answer takes a minute."""
    await route.request.frame.evaluate(
        "() => { const now = Date.now; Date.now = () => now() + 60000; }"
    )
    await route.continue_()


async def test_with_the_keyboard_alone(chromium: Browser, feeder: Feeder) -> None:
    async with alarms(chromium, feeder) as (page, watched, _address):
        button = page.locator(WIRE).get_by_role("button", name="Acknowledge")
        for _ in range(12):
            await page.keyboard.press("Tab")
            if await button.evaluate("(x) => x === document.activeElement"):
                break
        await expect(button).to_be_focused()
        await expect(button).to_have_accessible_name(
            "Acknowledge: Open circuit: no signal at all at dp-402"
        )
        await page.keyboard.press("Enter")
        await expect(page.locator("#deed [type=submit]")).to_be_focused()
        await expect(page.get_by_role("dialog")).to_have_accessible_name("Acknowledge")
        await page.keyboard.press("Escape")
        await expect(page.get_by_role("dialog")).to_have_count(0)
        await expect(button).to_be_focused()
        await page.keyboard.press("Enter")
        await page.keyboard.press("Enter")
        await expect(page.locator("#told")).to_contain_text("Acknowledged")
        # The button is gone: the keyboard stays where it was.
        shelve = page.locator(WIRE).get_by_role("button", name="Shelve")
        await expect(shelve).to_be_focused()
        await page.keyboard.press("Enter")
        await expect(page.locator("[name=reason]")).to_be_focused()
        await page.keyboard.type("spare part")
        await page.route("**/api/v1/alarms", late)
        await page.keyboard.press("Enter")
        await expect(page.locator(WIRE)).to_have_count(0)
        await expect(page.locator("#open-h")).to_be_focused()
        await page.unroute("**/api/v1/alarms", late)
        labelled = "(x) => [...x].every((f) => f.labels.length || f.getAttribute('aria-label'))"
        assert await page.evaluate(f"({labelled})(document.querySelectorAll('input, select'))")
        assert watched.errors == []


async def test_nobody_can_act_where_it_is_turned_off(chromium: Browser, feeder: Feeder) -> None:
    async with (
        feeding(feeder),
        serving(feeder, door=door(token="")) as address,
        page_of(chromium, f"{address}alarms") as (page, watched),
    ):
        await expect(page.locator("[data-alarm]")).to_have_count(2)
        await expect(page.locator("#aside")).to_contain_text("LOOPWITNESS_HTTP_ACTIONS")
        assert await page.locator("main button:visible").count() == 0
        assert watched.errors == []


async def test_without_a_gateway_nothing_looks_done(chromium: Browser, feeder: Feeder) -> None:
    async with page_of(chromium, "about:blank") as (page, _watched):
        async with feeding(feeder), serving(feeder) as address:
            await page.goto(f"{address}alarms")
            await signed_in(page, address, OLIVE)
            await expect(page.locator("[data-alarm]")).to_have_count(2)
            await press(page, WIRE, "Acknowledge")
        await sign(page)
        await expect(page.locator("#deed [role=alert]")).to_contain_text(
            "No connection to the gateway"
        )
        await page.keyboard.press("Escape")
        await expect(page.locator("#warning")).to_contain_text("No connection to the gateway")
        await expect(page.locator("#verdict-text")).to_contain_text("2 alarms, 2 not acknowledged")
        await expect(page.locator("#verdict-text")).to_contain_text("At ")
        assert await violations(page) == []
