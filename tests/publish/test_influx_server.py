"""Against a real time-series server: every stored point is there, whatever is killed when."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from pathlib import Path

import numpy as np
import pytest

from gateway.live import Live
from gateway.measure.blocks import Readings
from gateway.publish import influx
from gateway.publish.influx import forward_influx
from gateway.record import cursors
from gateway.record.store import Store, open_store
from gateway.settings import Settings
from tests.publish.made import options, plant, rows, until
from tests.publish.servers import TimeSeries

pytestmark = pytest.mark.server

HERE = plant()


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(tmp_path / "history", HERE) as opened:
        yield opened


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(influx, "delays", lambda: iter([0.1] * 1000))


@pytest.fixture
def now() -> float:
    """The server drops points that lie beyond its retention, so these are of today."""
    return float(round(time.time()) - 10_000)


def settings(server: TimeSeries) -> Settings:
    return options(influx_url=server.url, influx_interval_s=0.2)


@asynccontextmanager
async def forwarding(live: Live, store: Store, wanted: Settings) -> AsyncIterator[None]:
    task = asyncio.create_task(forward_influx(live, store, wanted))
    try:
        yield
    finally:
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task


def sent(live: Live) -> int:
    return live.sinks["influx"].sent if "influx" in live.sinks else 0


def wanted_pressure(parts: list[Readings], column: int) -> dict[int, float]:
    time_ms = np.concatenate([np.round(part.time * 1000) for part in parts]).astype(int)
    values = np.concatenate([part.pressure[:, column] for part in parts])
    return {t: v for t, v in zip(time_ms.tolist(), values.tolist(), strict=True) if np.isfinite(v)}


async def arrived(server: TimeSeries, wanted: dict[int, float]) -> dict[int, float]:
    """Points of transducer p2, as soon as there are as many as wanted."""
    async with asyncio.timeout(40):
        while True:
            got = await server.points("transducer_pressure", site="test", transducer="p2")
            if len(got) >= len(wanted):
                return got
            await asyncio.sleep(0.2)


async def test_points_read_back(time_series: TimeSeries, store: Store, now: float) -> None:
    block, means = rows(HERE, 3000, start=now)
    store.write([(block, means)])
    live = Live(HERE)
    async with forwarding(live, store, settings(time_series)):
        wanted = wanted_pressure([means], 1)
        got = await arrived(time_series, wanted)
        assert got == pytest.approx(wanted, rel=1e-12), "every bit that the server keeps"
        output = await time_series.points("loop_output", site="test", loop="stair")
        assert len(output) == int(np.isfinite(means.output).sum())
        quality = await time_series.points("loop_quality", site="test", loop="stair")
        assert list(quality.values()) == means.combined_quality[:, 0].tolist()
        await until(lambda: sent(live) >= 9000)


async def test_killed_servers_get_everything_in_the_end(
    time_series: TimeSeries, store: Store, now: float
) -> None:
    """Killed right after it said yes: once unnoticed between two batches, once for a while."""
    live = Live(HERE)
    parts: list[Readings] = []

    def write(count: int) -> None:
        done = sum(map(len, parts))
        block, means = rows(HERE, count, start=now + done, seed=len(parts))
        parts.append(means)
        store.write([(block, means)])

    slow = settings(time_series).model_copy(update={"influx_interval_s": 4.0})
    async with forwarding(live, store, slow):
        write(200)
        await until(lambda: sent(live) >= 600)
        time_series.kill()
        await time_series.start()
        write(10)
        await until(lambda: sent(live) >= 630)
        got = await arrived(time_series, wanted_pressure(parts, 1))
        assert set(got) == set(wanted_pressure(parts, 1))
        assert live.sinks["influx"].failures <= 1
        time_series.kill()
        write(50)
        await until(lambda: not live.sinks["influx"].connected)
        assert live.sinks["influx"].waiting >= 50
        write(50)
        await time_series.start()
        got = await arrived(time_series, wanted_pressure(parts, 1))
        assert set(got) == set(wanted_pressure(parts, 1))
        await until(lambda: live.sinks["influx"].connected)


@pytest.mark.parametrize("behind", [False, True], ids=["sent", "not sent"])
async def test_rows_before_those_of_a_wrong_clock(
    time_series: TimeSeries, store: Store, now: float, *, behind: bool
) -> None:
    """The clock was ahead, is put right, and rows go on before those that are there already."""
    live = Live(HERE)
    block, ahead = rows(HERE, 100, start=now + 5000)
    store.write([(block, ahead)])
    if behind:
        store.do(cursors.put, "influx", round((now - 100) * 1000))
    parts = [ahead]
    async with forwarding(live, store, settings(time_series)):
        await until(lambda: sent(live) >= 300)
        for k in range(3):
            block, means = rows(HERE, 5, start=now + 5 * k, seed=k)
            store.write([(block, means)])
            parts.append(means)
            got = await arrived(time_series, wanted_pressure(parts, 1))
            assert set(got) == set(wanted_pressure(parts, 1))
            await asyncio.sleep(0.5)
        await until(lambda: live.sinks["influx"].waiting == 0)
