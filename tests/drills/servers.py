"""A broker and a time-series server, as long as a drill takes."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from tests.publish.made import free_port
from tests.publish.servers import Broker, Server, TimeSeries


@asynccontextmanager
async def broker_in(folder: Path) -> AsyncIterator[Broker]:
    """Keeps what it has over a restart."""
    there = Broker(folder, free_port())
    _configure(there)
    await there.start()
    try:
        yield there
    finally:
        there.kill()


async def ended(there: Server, seconds: float = 60.0) -> None:
    """Wait for the end of a server that was told to end: it writes first what it has."""
    async with asyncio.timeout(seconds):
        while there.process is not None and there.process.poll() is None:  # noqa: ASYNC110 - no event tells
            await asyncio.sleep(0.02)
    there.kill()


def _configure(there: Broker) -> None:
    there.folder.mkdir()
    (there.folder / "broker.conf").write_text(
        f"listener {there.port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 0\n"
        f"persistence true\npersistence_location {there.folder}/\nuser root\n"
    )


@asynccontextmanager
async def series_in(folder: Path) -> AsyncIterator[TimeSeries]:
    """Empty."""
    there = TimeSeries(folder, free_port())
    await there.start()
    try:
        yield there
    finally:
        there.kill()
