"""The page of exports tells what the history holds and the site file does not name."""

from __future__ import annotations

from pathlib import Path

import httpx

from gateway.plant.site import Site
from gateway.record.store import open_store
from gateway.web.app import make_app
from gateway.web.past import stored
from tests.record.made import plant, rows

from .feeder import Feeder

GONE = "Left out: loop lobby, transducer p3. The history holds them"


async def page(file: Path, site: Site) -> str:
    app = make_app(Feeder(site).live, stored(file))
    async with httpx.AsyncClient(
        transport=httpx.ASGITransport(app), base_url="http://gateway"
    ) as client:
        answer = await client.get("/export")
    assert answer.status_code == 200
    return answer.text


async def test_what_is_gone_from_the_site_file_is_named(tmp_path: Path) -> None:
    with open_store(tmp_path, plant(third=True)) as store:
        store.write([rows(plant(third=True), 20)])
    assert GONE in await page(store.file, plant())
    assert "Left out" not in await page(store.file, plant(third=True))


async def test_without_a_history_the_page_comes_all_the_same(tmp_path: Path) -> None:
    assert "Left out" not in await page(tmp_path / "none", plant())
    (tmp_path / "spoiled").write_bytes(b"no database, whatever it is called" * 100)
    assert "Left out" not in await page(tmp_path / "spoiled", plant())
