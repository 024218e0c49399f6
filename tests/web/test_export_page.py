"""The export page in a real browser."""

from __future__ import annotations

import pytest
from playwright.async_api import Browser, expect

from gateway.plant.site import Site
from tests.sites import site

from .archive import archive
from .browsing import PHONE, page_of, picture, unfit, violations
from .feeder import Feeder, serving

pytestmark = pytest.mark.server


def twins() -> Site:
    """Two loops that somebody gave the same name, and one with a name of its own."""
    loops = {
        key: {"transducers": [t], "combine": "single"} for key, t in (("a", "p1"), ("b", "p2"))
    }
    named = {key: {**loop, "name": "Stair"} for key, loop in loops.items()}
    return site(loops={**named, "c": {**loops["a"], "name": "Duct"}})


async def test_on_a_phone_times_are_whole(chromium: Browser) -> None:
    async with (
        serving(Feeder(archive(), interval=0.5)) as address,
        page_of(chromium, f"{address}export", PHONE) as (page, watched),
    ):
        for name in ("from", "to"):
            box = await page.locator(f"input[name={name}]").bounding_box()
            assert box is not None
            assert box["width"] > 0.8 * PHONE[0]
        assert await unfit(page) == []
        assert await violations(page) == []
        await picture(page, "export-phone", whole=True)
        assert watched.errors == []


@pytest.mark.parametrize(("path", "first"), [("export", ["All of the site"]), ("checks", [])])
async def test_loops_of_the_same_name_are_told_apart(
    chromium: Browser, path: str, first: list[str]
) -> None:
    """Who picks the other stair takes the wrong loop out of service."""
    async with (
        serving(Feeder(twins(), interval=0.5)) as address,
        page_of(chromium, f"{address}{path}") as (page, _),
    ):
        choice = page.locator("select[name=loop] option")
        await expect(choice).to_have_text([*first, "Stair (a)", "Stair (b)", "Duct"])
