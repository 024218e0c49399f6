"""An app over a site made by hand, a client for it, and a browser."""

from __future__ import annotations

from collections.abc import AsyncIterator

import httpx
import pytest
from playwright.async_api import Browser

from gateway.web.app import make_app
from gateway.web.door import Door
from gateway.web.gate import Gate

from .archive import START, archive
from .browsing import browser
from .feeder import Feeder
from .persons import TOKEN


@pytest.fixture
def feeder() -> Feeder:
    """Harbour Street Archive, no row yet."""
    return Feeder(archive(), clock=lambda: START + 0.5)


@pytest.fixture
async def client(feeder: Feeder) -> AsyncIterator[httpx.AsyncClient]:
    """Speaks to an app over the feeder, half a second after START."""
    app = make_app(feeder.live, feeder.past(), door=Door(Gate(TOKEN)), clock=lambda: START + 0.5)
    transport = httpx.ASGITransport(app)
    async with httpx.AsyncClient(transport=transport, base_url="http://gateway") as speaking:
        yield speaking


@pytest.fixture
async def chromium() -> AsyncIterator[Browser]:
    """Debian's Chromium."""
    async with browser() as running:
        yield running
