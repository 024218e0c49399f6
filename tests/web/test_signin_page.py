"""Signing in and out in a real browser: who may, what they see, what stands in the journal."""

from __future__ import annotations

import re
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

import httpx
import pytest
from playwright.async_api import Browser, Page, expect

from gateway.measure.quality import Reason
from gateway.people.book import People
from gateway.web.door import Door

from . import persons
from .archive import archive, open_circuit
from .browsing import LARGER_PHONE, WIDE, Watched, live, page_of, picture, unfit, violations
from .feeder import Feeder, feeding, serving
from .persons import ADA, OLIVE, PASSWORD, TESS, VICTOR, signed_in

pytestmark = pytest.mark.server

WIRE = '[data-alarm="open-circuit:dp-402"]'
PERSON = "async () => (await (await fetch('/api/v1/session')).json()).person"
"""Who is signed in, as the gateway has it."""


class Clock:
    """Stands unless it is moved: however long a slow machine takes, no session and no wait ends."""

    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def feeder() -> Feeder:
    """A wire broke."""
    there = Feeder(archive(), interval=0.5)
    there.row(time.time() - 2)
    there.findings = [open_circuit(time.time() - 1)]
    there.reasons = {"dp-402": Reason.FAILURE_LOW}
    there.broken = {"dp-402"}
    return there


@asynccontextmanager
async def opened(
    chromium: Browser,
    feeder: Feeder,
    path: str,
    size: tuple[int, int] = WIDE,
    door: Door | None = None,
) -> AsyncIterator[tuple[Page, Watched, str]]:
    """A page of a gateway; its address."""
    async with (
        feeding(feeder),
        serving(feeder, door=door) as address,
        page_of(chromium, f"{address}{path}", size) as (page, watched),
    ):
        yield page, watched, address


async def entries(address: str, query: str) -> list[dict[str, Any]]:
    async with httpx.AsyncClient(timeout=60) as client:
        answer = await client.get(f"{address}api/v1/journal?{query}")
        assert answer.status_code == 200, answer.text
        found: list[dict[str, Any]] = answer.json()["entries"]
        return found


async def fill(page: Page, name: str, password: str = PASSWORD) -> None:
    await page.get_by_label("Name").fill(name)
    await page.get_by_label("Password").fill(password)
    await page.get_by_role("button", name="Sign in").click()


@pytest.mark.parametrize("size", [WIDE, LARGER_PHONE])
async def test_by_keyboard_to_an_acknowledged_alarm(
    chromium: Browser, feeder: Feeder, size: tuple[int, int]
) -> None:
    async with opened(chromium, feeder, "alarms?kept=1", size) as (page, watched, address):
        await expect(page.locator("#may")).to_have_text(
            "Sign in to act here; looking is open to everybody."
        )
        assert await violations(page) == []
        button = page.locator(WIRE).get_by_role("button", name="Acknowledge")
        await button.focus()
        await page.keyboard.press("Enter")
        await expect(page).to_have_title("Sign in · Harbour Street Archive")
        await expect(page.get_by_label("Name")).to_be_focused()
        assert await violations(page) == []
        assert await unfit(page) == []
        await picture(page, f"sign-in-{size[0]}")
        await page.keyboard.type("olive example")
        await page.keyboard.press("Tab")
        await page.keyboard.type(PASSWORD)
        await page.keyboard.press("Enter")
        await expect(page).to_have_url(f"{address}alarms?kept=1")
        await expect(page.locator("#who")).to_have_text(OLIVE)
        await button.focus()
        await page.keyboard.press("Enter")
        await expect(page.locator("[data-f=as]")).to_have_text(f"As {OLIVE}, operator")
        await page.keyboard.press("Enter")
        await expect(page.locator(f"{WIRE} [data-f=state]")).to_have_text("Acknowledged")
        assert await violations(page) == []
        assert await unfit(page) == []
        await picture(page, f"signed-in-{size[0]}")
        (entry,) = await entries(address, f"actor={OLIVE}&kind=alarm")
        assert (entry["event"], entry["actor"]) == ("acknowledge", OLIVE)
        (entry,) = await entries(address, "kind=sign-in")
        assert (entry["event"], entry["actor"], entry["message"]) == (
            "signed in", OLIVE, "As operator",
        )  # fmt: skip
        await page.locator("#journal > summary").click()
        await page.locator("#journal [name=kind]").select_option("Signing in and out")
        await page.get_by_role("button", name="Search").click()
        rows = page.locator("#journal tbody tr")
        await expect(rows).to_have_count(1)  # at first it shows everything
        await expect(rows).to_contain_text(OLIVE)
        assert watched.errors == []
        assert watched.outside == []


async def test_a_viewer_sees_what_cannot_be_pressed_and_why(
    chromium: Browser, feeder: Feeder
) -> None:
    async with opened(chromium, feeder, "alarms") as (page, watched, address):
        await signed_in(page, address, VICTOR)
        card = page.locator(WIRE)
        button = card.get_by_role("button", name="Acknowledge")
        await expect(button).to_have_attribute("aria-disabled", "true")
        why = f"{VICTOR} is signed in as viewer; this needs an operator."
        await expect(button).to_have_attribute("title", why)
        await expect(page.locator("#may")).to_contain_text(
            "acknowledging or shelving needs an operator; taking out of service needs a technician"
        )
        await button.focus()
        await page.keyboard.press("Enter")
        await expect(page.locator("#told")).to_have_text(why)
        await expect(page.get_by_role("dialog")).to_have_count(0)
        assert await violations(page) == []
        await picture(page, "viewer")
        # Whoever gets round the page is refused by the gateway.
        status = await page.evaluate(
            """async (path) => (await fetch(path, {
              method: "POST",
              headers: {
                "Content-Type": "application/json", "X-CSRF-Token": document.body.dataset.csrf,
              },
              body: "{}",
            })).status""",
            "/api/v1/alarms/open-circuit:dp-402/acknowledge",
        )
        assert status == 403
        await expect(card.locator("[data-f=state]")).to_have_text("Not acknowledged")
        assert all("403" in text for text in watched.errors)
        assert await entries(address, f"actor={VICTOR}&kind=alarm") == []


async def test_an_operator_takes_nothing_out_of_service(chromium: Browser, feeder: Feeder) -> None:
    async with opened(chromium, feeder, "alarms") as (page, watched, address):
        await signed_in(page, address, OLIVE)
        out = page.locator(WIRE).get_by_role("button", name="out of service")
        await expect(out).to_have_attribute("aria-disabled", "true")
        shelve = page.locator(WIRE).get_by_role("button", name="Shelve")
        await expect(shelve).not_to_have_attribute("aria-disabled", "true")
        await expect(page.locator("#may")).to_have_text(
            f"Signed in as {OLIVE}, operator: taking out of service needs a technician."
        )
        await signed_in(page, address, TESS)
        await expect(page.locator("#may")).to_have_text("")
        await expect(out).not_to_have_attribute("aria-disabled", "true")
        assert watched.errors == []


async def test_wrong_passwords_are_told_alike_and_then_made_to_wait(
    chromium: Browser, feeder: Feeder
) -> None:
    clock = Clock()
    door = persons.door(feeder.note, clock=clock)
    async with opened(chromium, feeder, "sign-in", door=door) as (page, watched, address):
        told = page.locator("#refused")
        await fill(page, OLIVE, "not the right password")
        await expect(told).to_have_text("Name or password is not right.")
        await expect(page.get_by_label("Password")).to_be_focused()
        await expect(page.get_by_label("Password")).to_have_value("")
        await picture(page, "sign-in-refused")
        assert await violations(page) == []
        for name in ("Nobody Example", *[OLIVE] * 4):
            await fill(page, name, "not the right password")
            await expect(page.get_by_label("Password")).to_have_value("")
            await expect(told).to_have_text("Name or password is not right.")
        await fill(page, OLIVE)
        await expect(told).to_have_text(re.compile(r"Too many attempts\. Try again in [12] s\."))
        clock.now += 2
        await fill(page, OLIVE)
        await expect(page.locator("#who")).to_have_text(OLIVE)
        said = [
            (e["event"], e["subject"], e["actor"]) for e in await entries(address, "kind=sign-in")
        ]
        assert said == [
            ("signed in", OLIVE, OLIVE),
            *[("sign-in refused", OLIVE, "gateway")] * 4,
            ("sign-in refused", "", "gateway"),
            ("sign-in refused", OLIVE, "gateway"),
        ]
        assert all("401" in text or "429" in text for text in watched.errors)


async def test_signing_out_forgets_the_person(chromium: Browser, feeder: Feeder) -> None:
    async with opened(chromium, feeder, "alarms") as (page, watched, address):
        await signed_in(page, address, TESS)
        (cookie,) = await page.context.cookies()
        assert cookie["name"] == "loopwitness-tests"
        assert (cookie["httpOnly"], cookie["sameSite"]) == (True, "Strict")
        assert cookie["expires"] == -1, "it ends with the browser"
        await page.locator("#who").click()
        await expect(page.locator("#leave")).to_contain_text("technician")
        await page.get_by_role("button", name="Sign out").click()
        await expect(page.get_by_role("link", name="Sign in").first).to_be_visible()
        assert await page.context.cookies() == []
        # The old cookie is worth nothing any more.
        async with httpx.AsyncClient(
            cookies={"loopwitness-tests": cookie["value"]}, timeout=60
        ) as client:
            answer = await client.get(f"{address}api/v1/session")
        assert answer.json()["person"] == ""
        (entry, _) = await entries(address, "kind=sign-in")
        assert (entry["event"], entry["actor"], entry["reason"]) == (
            "signed out",
            TESS,
            "signed out",
        )
        assert watched.errors == []


async def test_without_use_the_person_is_warned_signed_out_and_keeps_the_page(
    chromium: Browser, feeder: Feeder
) -> None:
    clock = Clock()
    door = persons.door(feeder.note, idle_s=6.0, clock=clock)
    async with opened(chromium, feeder, "alarms", door=door) as (page, watched, address):
        await signed_in(page, address, OLIVE)
        line = page.locator("#leaving")
        await expect(line).to_contain_text("You are signed out in")
        assert await violations(page) == []
        async with page.expect_response("**/session/seen"):
            await page.get_by_role("button", name="Stay signed in").click()
        await expect(line).to_be_hidden()
        await page.wait_for_timeout(2500)
        clock.now += 4
        async with page.expect_response("**/session/seen"):
            await page.get_by_role("button", name="Shelve").first.click()
        await page.locator("[name=reason]").fill("half written")
        clock.now += 4  # 8 s after the click on "Stay": use has prolonged it
        assert await page.evaluate(PERSON) == OLIVE
        clock.now += 4
        await expect(line).to_contain_text("You have been signed out")
        await expect(page.locator("[name=reason]")).to_have_value("half written")
        await expect(page.locator("#who")).to_have_text("Signed out")
        await page.locator("#deed [type=submit]").click()
        await expect(page.locator("#deed [role=alert]")).to_contain_text("Sign in")
        await page.keyboard.press("Escape")
        await live(page)
        await picture(page, "signed-out")
        assert await violations(page) == []
        await line.get_by_role("link", name="Sign in").click()
        await fill(page, OLIVE)
        await expect(page).to_have_url(f"{address}alarms")
        reasons = [e["reason"] for e in await entries(address, "kind=sign-in&text=operator")]
        assert reasons.count("nothing was done") == 1
        assert all("401" in text for text in watched.errors)


async def test_another_role_ends_what_is_open(chromium: Browser, feeder: Feeder) -> None:
    there = {"now": persons.people()}
    door = persons.door(feeder.note, known=lambda: there["now"])
    async with opened(chromium, feeder, "alarms", door=door) as (page, _watched, address):
        await signed_in(page, address, ADA)
        there["now"] = People(people=tuple(p for p in there["now"].people if p.name != ADA))
        await page.get_by_role("button", name="Acknowledge").first.click()
        await page.locator("#deed [type=submit]").click()
        await expect(page.locator("#leaving")).to_contain_text("You have been signed out")
        await expect(page.locator(f"{WIRE} [data-f=state]")).to_have_text("Not acknowledged")
        assert await entries(address, f"actor={ADA}&kind=alarm") == []


async def test_where_looking_needs_a_person(chromium: Browser, feeder: Feeder) -> None:
    clock = Clock()
    door = persons.door(feeder.note, viewing=False, idle_s=5.0, clock=clock)
    async with opened(chromium, feeder, "loops/stair-b", door=door) as (page, _watched, address):
        await expect(page).to_have_url(f"{address}sign-in?next=%2Floops%2Fstair-b")
        await expect(page.get_by_role("link", name="Back without")).to_have_count(0)
        assert await violations(page) == []
        await fill(page, VICTOR)
        await expect(page).to_have_url(f"{address}loops/stair-b")
        await live(page)
        clock.now += 6
        # The stream ends with the session, and what is shown is marked as old.
        await expect(page.locator("#leaving")).to_contain_text("signed out")
        await expect(page.locator("body")).to_have_attribute("data-feed", "lost", timeout=60_000)
        await expect(page.locator("#leaving")).to_contain_text("You have been signed out")
        await expect(page.locator("#warning")).to_contain_text(
            "No live values: they are for people who have signed in. What you see is from"
        )
        assert await violations(page) == []
        await picture(page, "closed-signed-out")
        await page.reload()
        await expect(page).to_have_title("Sign in · Harbour Street Archive")


@pytest.mark.parametrize("size", [WIDE, LARGER_PHONE])
async def test_a_loop_is_learnt_anew_by_a_technician(
    chromium: Browser, feeder: Feeder, size: tuple[int, int]
) -> None:
    async with opened(chromium, feeder, "loops/stair-b", size) as (page, watched, address):
        await signed_in(page, address, OLIVE)
        await page.get_by_text("Uncertainty, learning").click()
        form = page.locator("#relearn")
        button = form.get_by_role("button", name="Learn it anew")
        await expect(button).to_have_attribute("aria-disabled", "true")
        await expect(form).to_contain_text(
            f"{OLIVE} is signed in as operator; this needs a technician."
        )
        await form.locator("[name=reason]").fill("tube replaced")
        await page.keyboard.press("Enter")
        assert feeder.wishes == []
        assert await violations(page) == []
        await signed_in(page, address, TESS)
        await page.get_by_text("Uncertainty, learning").click()
        await form.locator("[name=reason]").fill("tube replaced")
        await button.click()
        await expect(form.get_by_role("status")).to_have_text(
            "It begins anew within seconds, and stands in the journal."
        )
        assert feeder.wishes == [("stair-b", "tube replaced", TESS)]
        assert await violations(page) == []
        if size == LARGER_PHONE:
            assert await unfit(page) == []
        await form.scroll_into_view_if_needed()
        await picture(page, f"learnt-anew-{size[0]}")
        assert watched.errors == []


@pytest.mark.parametrize("size", [WIDE, LARGER_PHONE])
async def test_an_administrator_signs_somebody_out(
    chromium: Browser, feeder: Feeder, size: tuple[int, int]
) -> None:
    async with (
        opened(chromium, feeder, "system", size) as (page, watched, address),
        page_of(chromium, f"{address}alarms") as (theirs, _),
    ):
        await signed_in(theirs, address, OLIVE)
        await signed_in(page, address, TESS)
        await live(page)
        await expect(page.locator("#people")).to_have_count(0)
        await signed_in(page, address, ADA)
        row = page.locator("#people tbody tr").filter(has_text=OLIVE)
        await expect(row).to_contain_text("on 1 browser")
        assert await violations(page) == []
        if size == LARGER_PHONE:
            assert await unfit(page) == []
        await page.locator("#people").scroll_into_view_if_needed()
        await picture(page, f"people-{size[0]}")
        await row.get_by_role("button", name=f"Sign out {OLIVE} everywhere").click()
        await expect(page.locator("#people [role=status]")).to_have_text(
            f"{OLIVE} is signed out everywhere."
        )
        await expect(row).to_contain_text("no")
        await theirs.get_by_role("button", name="Acknowledge").first.click()
        await theirs.locator("#deed [type=submit]").click()
        await expect(theirs.locator("#leaving")).to_contain_text("You have been signed out")
        reasons = [e["reason"] for e in await entries(address, "kind=sign-in")]
        assert f"signed out by {ADA}" in reasons
        assert watched.errors == []
