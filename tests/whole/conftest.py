"""For tests of the whole program: a broker, and alarms that take less patience."""

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


@pytest.fixture
def soon(monkeypatch: pytest.MonkeyPatch) -> None:
    """Alarms begin and end after 3 s instead of 15 and 30; test_whole_alarms waits for those."""
    monkeypatch.setattr("gateway.alarm.definitions.DELAY_S", 3.0)
    monkeypatch.setattr("gateway.alarm.definitions.FINDING_OFF_S", 3.0)
