"""Real servers for the receivers' tests."""

from __future__ import annotations

from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from tests.publish.made import free_port
from tests.publish.servers import Broker, TimeSeries, secure


@pytest.fixture
async def broker(tmp_path: Path) -> AsyncIterator[Broker]:
    """A plain broker that keeps what it has over a restart."""
    folder = tmp_path / "broker"
    folder.mkdir()
    there = Broker(folder, free_port())
    (folder / "broker.conf").write_text(
        f"listener {there.port} 127.0.0.1\nallow_anonymous true\n"
        f"persistence true\npersistence_location {folder}/\nuser root\n"
    )
    await there.start()
    yield there
    there.kill()


@pytest.fixture
async def secure_broker(tmp_path: Path) -> AsyncIterator[Broker]:
    """A broker with TLS and passwords."""
    there = secure(tmp_path / "secure", free_port())
    await there.start()
    yield there
    there.kill()


@pytest.fixture
async def time_series(tmp_path: Path) -> AsyncIterator[TimeSeries]:
    """A server with an empty folder."""
    there = TimeSeries(tmp_path / "series", free_port())
    await there.start()
    yield there
    there.kill()
