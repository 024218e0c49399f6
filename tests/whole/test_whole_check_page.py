"""A whole loop check in the browser, over the demo plant with a wrong range in its controller."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import httpx
import pytest
from playwright.async_api import Page, expect

from gateway.loopcheck import settling
from gateway.people import book
from gateway.plant.site import Site
from gateway.settings import Settings
from tests.web.browsing import PHONE, browser, live, page_of, picture, unfit, violations
from tests.web.persons import ADA, TESS, people, signed_in
from tests.whole.program import archive, gateway, plant, until
from tests.whole.test_whole_check import tamper

pytestmark = [pytest.mark.server, pytest.mark.timeout(900)]

LOOP = "stair-b"
STEP_MS = 180_000
"""Longest that a step may take on a busy machine."""
expect.set_options(timeout=60_000)


@pytest.fixture(autouse=True)
def _swift(monkeypatch: pytest.MonkeyPatch) -> None:
    """Calibrators here do not swing: a second is enough to see that a reading stands still."""
    monkeypatch.setattr(settling, "WINDOW_S", 1.0)


def polled_often() -> Site:
    site = archive()
    often = {"interval_s": 0.5, "timeout_s": 3.0}
    controllers = {k: one.model_copy(update=often) for k, one in site.controllers.items()}
    return site.model_copy(update={"controllers": controllers})


async def begin(page: Page, scheme: str = "zero") -> None:
    form = page.locator("#begin")
    await form.locator("[name=loop]").select_option(LOOP)
    await form.locator("[name=scheme]").select_option(scheme)
    await form.get_by_label("Reference: kind, number").fill("Calibrator 7")
    await form.get_by_label("Its expanded uncertainty").fill("0,05")
    await form.get_by_label("Read, and arranged for").check()
    await form.get_by_role("button", name="Begin").click()
    await expect(page.locator("#check")).to_be_visible()
    await expect(form).to_be_hidden()


async def apply(page: Page, switches: httpx.AsyncClient, check: dict[str, Any]) -> None:
    for key, pressure in check["apply"].items():
        wanted = {"kind": "calibrator", "subject": key, "size": pressure, "on": True}
        (await switches.post("/faults", json=wanted)).raise_for_status()
    await page.wait_for_timeout(600)
    await page.get_by_role("button", name="It is applied").click()


async def go_through(page: Page, client: httpx.AsyncClient, switches: httpx.AsyncClient) -> None:
    """Every step that is asked for, until all is read."""
    asked = page.locator("#asked")
    while True:
        (check,) = (await client.get("/api/v1/checks")).json()["open"]
        await expect(asked).to_have_text(check["asked"], timeout=STEP_MS)
        if check["task"] == "conclude":
            return
        if check["task"] == "measure":
            await apply(page, switches, check)
        else:
            await page.get_by_role("button", name="No adjustment was made").click()
        await expect(asked).not_to_have_text(check["asked"], timeout=STEP_MS)


async def test_a_whole_check_in_the_browser(tmp_path: Path) -> None:
    site = polled_often()
    settings = Settings(state_dir=tmp_path / "state", http_port=0)
    async with plant(site) as switches, gateway(site, settings) as client, browser() as chromium:
        wrong = {"kind": "range-mismatch", "subject": "dp-201", "size": 200, "on": True}
        (await switches.post("/faults", json=wrong)).raise_for_status()
        address = f"{client.base_url}checks"
        async with page_of(chromium, address) as (page, watched):
            book.write(tmp_path / "state", people())
            await signed_in(page, str(client.base_url), ADA)
            await live(page)
            assert await violations(page) == []
            await picture(page, "checks-begin", whole=True)
            await begin(page)
            await expect(page.locator("#asked")).to_contain_text("bridge both ports")
            await page.get_by_role("button", name="Pause").click()
            await expect(page.locator("#asked")).to_have_text("Paused: paused")
            await page.get_by_role("button", name="Go on").click()
            await expect(page.locator("#asked")).to_contain_text("bridge both ports")
            await page.get_by_role("button", name="Keep a remark").click()
            await page.get_by_label("It stands in the record").fill("a tube was wet")
            await page.get_by_role("button", name="Keep it").click()
            await expect(page.locator("#told")).to_have_text("The remark is kept.")
            await go_through(page, client, switches)
            await expect(page.locator("#wrong")).to_contain_text("as if its range were -25 to 200")
            await picture(page, "checks-read", whole=True)
            assert await violations(page) == []
            await page.get_by_label("Remarks for the record").fill("to be corrected")
            await page.get_by_role("button", name="Finish with a record").click()
            await expect(page.locator("#records tbody tr")).to_have_count(1)
            await expect(page.locator("#records")).to_contain_text("fail")
            await expect(page.locator("#chain")).to_have_text("the chain of records is whole")
            await expect(page.locator("#due")).to_contain_text("dp-201")
            await expect(page.locator("#begin")).to_be_visible()
            await picture(page, "checks-records", whole=True)
            assert (watched.errors, watched.outside) == ([], [])
            record = (await client.get("/api/v1/checks/records/1")).json()
            pdf = await client.get("/api/v1/checks/records/1/pdf")
            tamper(tmp_path)
            await page.reload()
            await expect(page.locator("#chain")).to_have_text(
                "The chain is broken: record 1: changed after it was made"
            )
        assert [(m["fault"], m["subject"]) for m in record["mistakes"]] == [
            ("range-mismatch", "dp-201")
        ]
        assert (record["remarks"], record["person"]) == ("to be corrected", ADA)
        assert [one["text"] for one in record["notes"]] == ["a tube was wet"]
        assert pdf.content.startswith(b"%PDF-1.7")

        async def back() -> bool:
            return not (await client.get("/api/v1/out-of-service")).json()

        await until(90, "everything is back in service", back)


async def test_on_a_phone(tmp_path: Path) -> None:
    site = polled_often()
    settings = Settings(state_dir=tmp_path / "state", http_port=0)
    async with plant(site), gateway(site, settings) as client, browser() as chromium:
        address = f"{client.base_url}checks"
        async with page_of(chromium, address, PHONE) as (page, watched):
            book.write(tmp_path / "state", people())
            await signed_in(page, str(client.base_url), TESS)
            await live(page)
            assert await unfit(page) == []
            await begin(page)
            assert await unfit(page) == []
            assert await violations(page) == []
            await picture(page, "checks-phone")
            asking = page.get_by_role("dialog", name="Abandon the check, without a record")
            abandon = page.get_by_role("button", name="Abandon", exact=True)
            await abandon.click()
            assert await violations(page) == []
            assert await unfit(page) == []
            await picture(page, "checks-phone-abandon")
            await page.keyboard.press("Escape")
            await expect(asking).to_be_hidden()
            await expect(abandon).to_be_focused()
            await expect(page.locator("#check")).to_be_visible()
            await page.keyboard.press("Enter")
            await page.keyboard.press("Enter")  # without a reason nothing happens
            await expect(asking).to_be_visible()
            await page.keyboard.type("called away")
            await page.keyboard.press("Enter")
            await expect(page.locator("#check")).to_be_hidden()
            assert watched.errors == []


async def test_pressures_in_the_unit_of_the_viewer(tmp_path: Path) -> None:
    """Beside those of the site file, which the record keeps; the reference may show either."""
    site = polled_often()
    settings = Settings(state_dir=tmp_path / "state", http_port=0)
    async with plant(site) as switches, gateway(site, settings) as client, browser() as chromium:
        async with page_of(chromium, f"{client.base_url}checks") as (page, watched):
            await page.evaluate("localStorage.setItem('shown-unit', 'inH2O')")
            book.write(tmp_path / "state", people())
            await signed_in(page, str(client.base_url), TESS)
            await live(page)
            await begin(page, "one point")
            await expect(page.locator("#asked")).to_contain_text("apply 37.5 Pa")
            await expect(page.locator("#also")).to_have_text("That is 0.1505 inH₂O.")
            on = {"kind": "calibrator", "subject": "dp-201", "size": 37.5, "on": True}
            (await switches.post("/faults", json=on)).raise_for_status()
            await page.get_by_label("What the reference shows").fill("0.15")
            await page.locator("#in-row select").select_option("inH2O")
            await page.get_by_role("button", name="It is applied").click()
            row = page.locator("#read tbody tr").first
            await expect(row).to_contain_text("37.36 Pa", timeout=STEP_MS)
            await expect(row).to_contain_text("0.1500 inH₂O")
            await picture(page, "checks-units", whole=True)
            assert await violations(page) == []
            (check,) = (await client.get("/api/v1/checks")).json()["open"]
            # What was read last may be wrong without any adjustment: it is taken once more.
            await expect(page.get_by_role("button", name="No adjustment was made")).to_be_visible()
            await page.get_by_role("button", name="Read the last one again").click()
            await expect(page.locator("#asked")).to_contain_text("apply 37.5 Pa")
            await expect(page.get_by_role("button", name="Read the last one again")).to_be_hidden()
            assert watched.errors == []
        assert check["read"][0]["applied"] == pytest.approx(37.3633365)
        assert check["read"][0]["unit"] == "Pa"
