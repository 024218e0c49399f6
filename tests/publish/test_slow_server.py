"""A time-series server that needs longer than it is given at first."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from aiohttp import web

from gateway.live import Live
from gateway.publish import influx, pace, progress
from gateway.publish.influx import forward_influx
from gateway.record import cursors
from gateway.record.store import Store, open_store
from tests.publish.made import START, options, plant, rows, until

pytestmark = pytest.mark.slow

HERE = plant()


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(tmp_path, HERE) as opened:
        yield opened


@asynccontextmanager
async def slow_server(taken: set[str]) -> AsyncIterator[str]:
    """Its address; an answer takes 0.4 s and a millisecond a line."""

    async def write(request: web.Request) -> web.Response:
        lines = (await request.read()).decode().splitlines()
        await asyncio.sleep(0.4 + 0.001 * len(lines))
        taken.update(lines)
        return web.Response(status=204)

    app = web.Application()
    app.router.add_post("/api/v2/write", write)
    runner = web.AppRunner(app)
    await runner.setup()
    try:
        await web.TCPSite(runner, "127.0.0.1", 0).start()
        host, port = runner.addresses[0][:2]
        yield f"http://{host}:{port}"
    finally:
        await runner.cleanup()


async def test_it_gets_everything(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """Time runs fifty times as fast: 0.2 s for 10 s. An answer takes as long as 20 s, or more."""
    monkeypatch.setattr(influx, "delays", lambda: iter([0.02] * 10_000))
    monkeypatch.setattr(influx, "BATCH_LINES", 900)
    monkeypatch.setattr(pace, "FIRST_S", 0.2)
    monkeypatch.setattr(pace, "LONGEST_S", 10.0)
    monkeypatch.setattr(progress, "SETTLE_S", 0.8)
    store.write([rows(HERE, 500)])
    live, taken, first = Live(HERE), set[str](), round(START * 1000)
    async with slow_server(taken) as address:
        usual = options(influx_url=address)
        quick = usual.model_copy(update={"influx_interval_s": 0.02})
        task = asyncio.create_task(forward_influx(live, store, quick))
        try:
            await until(lambda: "influx" in live.sinks and live.sinks["influx"].failures > 0)
            assert live.sinks["influx"].reason.startswith("no answer within 0.")
            await until(lambda: (store.do(cursors.get, "influx") or 0) > first)
            await until(lambda: len(taken) == 1_500)
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)
