"""A broken wire on the page: one alarm with its consequence, acknowledged there, seen elsewhere."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from playwright.async_api import expect

from gateway.people import book
from tests.publish.bacnet_packets import listening
from tests.publish.bacnet_site import free_udp_port, front_end
from tests.publish.servers import Broker
from tests.web.browsing import browser, page_of, picture
from tests.web.persons import OLIVE, people, signed_in
from tests.whole.program import entries, gateway, plant, until
from tests.whole.test_whole_alarms import (
    WIRE,
    calm,
    going_on,
    retained,
    settings_for,
    switch,
    tight,
)

pytestmark = [pytest.mark.server, pytest.mark.usefixtures("soon"), pytest.mark.timeout(600)]

BEGINS_MS = 60_000
"""For a limit that is passed some seconds after the wire broke, and its on-delay."""


async def test_acknowledged_on_the_page_and_seen_by_everybody(
    tmp_path: Path, broker: Broker
) -> None:
    site, port = tight(), free_udp_port()
    at_broker: dict[str, Any] = {"mqtt_host": "127.0.0.1", "mqtt_port": broker.port}
    async with (
        plant(site) as switches, listening() as recipient, front_end() as desk,
        gateway(site, settings_for(tmp_path, port, recipient, **at_broker)) as client,
        browser() as chromium, page_of(chromium, f"{client.base_url}alarms") as (page, watched),
    ):  # fmt: skip
        book.write(tmp_path / "state", people())
        await signed_in(page, str(client.base_url), OLIVE)
        await calm(tmp_path, client)
        await expect(page.locator("#verdict-text")).to_have_text("No alarms")
        await switch(switches, on=True)
        card = page.locator(f'[data-alarm="{WIRE}"]')
        await expect(card).to_contain_text("Open circuit: no signal at all", timeout=BEGINS_MS)
        await expect(card).to_contain_text("Explains 1 other alarm", timeout=BEGINS_MS)
        await expect(page.locator("[data-alarm]")).to_have_count(1)
        await picture(page, "whole-alarms", whole=True)

        await card.get_by_role("button", name="Acknowledge").click()
        await page.locator("#deed [name=reason]").fill("on my way")
        await page.locator("#deed [type=submit]").click()
        await expect(card.locator("[data-f=state]")).to_have_text("Acknowledged")
        (entry,) = [e for e in entries(tmp_path, "alarm") if e[2] == "acknowledge"]
        assert entry == ("open-circuit", "dp-201", "acknowledge", OLIVE, "on my way")

        async def at_the_broker() -> bool:
            return (await retained(broker)).get(WIRE) == "active acknowledged"

        async def at_the_front_end() -> bool:
            return [one.acknowledged for one in await going_on(desk, port)] == [(1, 1, 1)]

        await until(90, "acknowledged at the broker", at_the_broker)
        await until(90, "acknowledged at the front end", at_the_front_end)
        assert watched.errors == []
        assert watched.outside == []
