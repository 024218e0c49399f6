"""A broker for tests of the whole program."""

from __future__ import annotations

from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from tests.publish.servers import Broker
from tests.whole.program import free_ports


@pytest.fixture
async def broker(tmp_path: Path) -> AsyncIterator[Broker]:
    folder = tmp_path / "broker"
    folder.mkdir()
    there = Broker(folder, free_ports(1)[0])
    (folder / "broker.conf").write_text(
        f"listener {there.port} 127.0.0.1\nallow_anonymous true\n"
        f"persistence true\npersistence_location {folder}/\nuser root\n"
    )
    await there.start()
    yield there
    there.kill()
