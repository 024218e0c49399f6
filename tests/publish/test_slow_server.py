"""A time-series server that needs longer than it is given at first."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
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


async def test_it_gets_everything(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """Time runs fifty times as fast: 0.2 s for 10 s. An answer takes as long as 20 s, or more."""
    monkeypatch.setattr(influx, "delays", lambda: iter([0.02] * 10_000))
    monkeypatch.setattr(influx, "BATCH_LINES", 900)
    monkeypatch.setattr(pace, "FIRST_S", 0.2)
    monkeypatch.setattr(pace, "LONGEST_S", 1.2)
    monkeypatch.setattr(progress, "SETTLE_S", 0.8)
    taken: set[str] = set()

    async def write(request: web.Request) -> web.Response:
        lines = (await request.read()).decode().splitlines()
        await asyncio.sleep(0.4 + 0.001 * len(lines))
        taken.update(lines)
        return web.Response(status=204)

    app = web.Application()
    app.router.add_post("/api/v2/write", write)
    runner = web.AppRunner(app)
    await runner.setup()
    await web.TCPSite(runner, "127.0.0.1", 0).start()
    host, port = runner.addresses[0][:2]
    store.write([rows(HERE, 500)])
    live = Live(HERE)
    usual = options(influx_url=f"http://{host}:{port}")
    quick = usual.model_copy(update={"influx_interval_s": 0.02})
    task = asyncio.create_task(forward_influx(live, store, quick))
    await until(
        lambda: "influx" in live.sinks and "no answer within" in live.sinks["influx"].reason
    )
    first = round(START * 1000)
    await until(lambda: (store.do(cursors.get, "influx") or 0) > first)
    await until(lambda: len(taken) == 1_500)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    await runner.cleanup()
