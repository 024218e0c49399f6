"""Servers for drills."""

from __future__ import annotations

from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from tests.publish.servers import Broker, TimeSeries

from .servers import broker_in, series_in


@pytest.fixture
async def broker(tmp_path: Path) -> AsyncIterator[Broker]:
    """A plain broker that keeps what it has over a restart."""
    async with broker_in(tmp_path / "broker") as there:
        yield there


@pytest.fixture
async def series(tmp_path: Path) -> AsyncIterator[TimeSeries]:
    """A time-series server with an empty folder."""
    async with series_in(tmp_path / "series") as there:
        yield there
