"""The real command under a supervisor of the test's own."""

from __future__ import annotations

import asyncio
import os
import re
import signal
from contextlib import suppress
from pathlib import Path

import pytest

from tests.cli.commands import ROOT, ended, started, tell
from tests.test_supervisor import Ear

pytestmark = [pytest.mark.slow, pytest.mark.server]

SITE = ROOT / "config" / "harbour-archive.toml"
"""Whether anything answers at its addresses does not matter: silence makes rows too."""


async def test_ready_alive_stopping(tmp_path: Path) -> None:
    ear = Ear(str(tmp_path / "notify"))
    told = {"NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "1500000"}
    heard: list[str] = []
    async with started(tmp_path, "run", SITE, **told) as gateway:
        async with asyncio.timeout(120):
            while sum(m.startswith("WATCHDOG=1") for m in heard) < 4:
                await asyncio.sleep(0.1)
                heard += ear.heard()
        tell(gateway, signal.SIGTERM)
        assert (await ended(gateway)).code == 0
    heard += ear.heard()
    ear.close()
    assert heard[0].startswith("READY=1\nSTATUS=harbour-archive: ")
    alive = [m for m in heard if m.startswith("WATCHDOG=1")]
    assert re.search(r": \d of 3 controllers answer", alive[3])
    assert [m for m in heard if "=1" in m and not m.startswith("WATCHDOG")] == [
        heard[0],
        "STOPPING=1",
    ]


async def test_a_hanging_gateway_says_nothing(tmp_path: Path) -> None:
    ear = Ear(str(tmp_path / "notify"))
    told = {"NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "600000"}
    async with started(tmp_path, "run", SITE, **told) as gateway:
        heard: list[str] = []
        async with asyncio.timeout(120):
            while not any(m.startswith("WATCHDOG=1") for m in heard):
                await asyncio.sleep(0.1)
                heard += ear.heard()
        tell(gateway, signal.SIGSTOP)
        await asyncio.sleep(0.3)
        ear.heard()
        await asyncio.sleep(1.0)
        assert ear.heard() == []
        with suppress(ProcessLookupError):
            os.kill(gateway.pid, signal.SIGCONT)
        tell(gateway, signal.SIGTERM)
        assert (await ended(gateway)).code == 0
    ear.close()
