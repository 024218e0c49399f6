"""The whole way, with real servers: demo plant, gateway, broker, time-series server, interface."""

from __future__ import annotations

import itertools
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from pathlib import Path
from typing import Any

import httpx
import pytest

from gateway.settings import Settings
from tests.publish.servers import Broker, TimeSeries
from tests.whole.program import (
    archive,
    free_ports,
    gateway,
    journal,
    plant,
    rows_between,
    until,
)

pytestmark = [pytest.mark.server, pytest.mark.timeout(600)]


@pytest.fixture
async def series(tmp_path: Path) -> AsyncIterator[TimeSeries]:
    there = TimeSeries(tmp_path / "series", free_ports(1)[0])
    await there.start()
    yield there
    there.kill()


def settings_for(folder: Path, broker: Broker, series: TimeSeries) -> Settings:
    return Settings(
        state_dir=folder / "state",
        http_port=0,
        mqtt_host="127.0.0.1",
        mqtt_port=broker.port,
        influx_url=series.url,
        influx_interval_s=1.0,
        _env_file=None,
    )


async def loops(client: httpx.AsyncClient) -> dict[str, dict[str, Any]]:
    answer = await client.get("/api/v1/loops")
    # 503 until the first row is there.
    return {one["id"]: one for one in answer.json()} if answer.status_code == 200 else {}


async def test_a_broken_wire_is_seen_everywhere_within_five_rows(
    tmp_path: Path, broker: Broker, series: TimeSeries
) -> None:
    site = archive()
    settings = settings_for(tmp_path, broker, series)
    async with plant(site) as switches, gateway(site, settings) as client:
        seen: dict[str, set[float]] = {key: set() for key in site.loops}

        async def moving() -> bool:
            for key, one in (await loops(client)).items():
                if one["combined"] is not None:
                    seen[key].add(one["combined"])
            return all(len(values) >= 3 for values in seen.values())

        await until(90, "all three loops move", moving)
        async with broker.subscribed("loopwitness/harbour-archive/events/findings") as events:
            wire = {"kind": "open-circuit", "subject": "dp-201", "size": None}
            answer = await switches.post("/faults", json=wire | {"on": True})
            assert answer.status_code == 200
            broken = time.time()

            async def everywhere() -> bool:
                findings = (await client.get("/api/v1/findings")).json()
                by_api = [(f["fault"], f["transducer"]) for f in findings]
                by_mqtt = [(e["payload"]["fault"], e["payload"]["subject"]) for e in events]
                in_journal = [(fault, subject) for fault, subject, _ in journal(tmp_path)]
                wanted = ("open-circuit", "dp-201")
                return wanted in by_api and wanted in by_mqtt and wanted in in_journal

            await until(90, "open-circuit on interface, broker and journal", everywhere)
            seen_at = time.time()
            one = (await loops(client))["stair-b"]
            assert one["quality"] == "bad"
            assert [f["fault"] for f in one["findings"]] == ["open-circuit"]
            others = [e["payload"] for e in events if e["payload"]["subject"] != "dp-201"]
            assert others == []
            await switches.post("/faults", json=wire | {"on": False})

            async def cleared() -> bool:
                gone = ("open-circuit", "dp-201", "cleared")
                phases = [(e["payload"]["fault"], e["payload"]["phase"]) for e in events]
                open_now = (await client.get("/api/v1/findings")).json()
                return gone in journal(tmp_path) and ("open-circuit", "cleared") in phases \
                    and not open_now  # fmt: skip

            await until(90, "cleared everywhere", cleared)
            assert rows_between(tmp_path, broken, seen_at) <= 5


async def test_what_stops_comes_back_and_harms_nothing_else(
    tmp_path: Path, broker: Broker, series: TimeSeries
) -> None:
    site = archive()
    settings = settings_for(tmp_path, broker, series)
    async with gateway(site, settings) as client:

        async def sink(name: str) -> dict[str, Any]:
            sinks = (await client.get("/api/v1/sinks")).json()
            return next((s for s in sinks if s["name"] == name), {"connected": False, "sent": 0})

        async def rows() -> int:
            return int((await sink("store"))["sent"])

        async def live() -> bool:
            now = await loops(client)
            return bool(now) and all(one["combined"] is not None for one in now.values())

        async def silent() -> bool:
            faults = [f["fault"] for f in (await client.get("/api/v1/findings")).json()]
            return faults.count("no-communication") == len(site.controllers)

        async def connected(*names: str) -> bool:
            return all([(await sink(name))["connected"] for name in names])

        async with plant(site):
            await until(90, "loops live", live)
            await until(90, "receivers", lambda: connected("mqtt", "influx"))
        # The plant is gone: rows go on, with nothing in them.
        await until(90, "no-communication on every controller", silent)
        before = await rows()
        await until(90, "rows go on", lambda: _later(rows, before + 2))
        async with plant(site):
            await until(90, "loops live again", live)
            broker.kill()
            await until(90, "broker missed", lambda: _not(connected("mqtt")))
            assert await connected("influx")
            assert await live()
            await broker.start()
            await until(90, "broker again", lambda: connected("mqtt"))
            series.kill()
            await until(90, "server missed", lambda: _not(connected("influx")))
            assert await connected("mqtt")
            assert await live()
            await series.start()
            await until(90, "server again", lambda: connected("influx"))

            async def no_hole() -> bool:
                points = await series.points("loop_combined", loop="stair-b")
                newest = sorted(points)[-40:]
                gaps = [b - a for a, b in itertools.pairwise(newest)]
                return len(newest) >= 20 and max(gaps[-15:]) < 2500

            await until(90, "the outage is filled in", no_hole, every=1.0)


async def _later(count: Callable[[], Awaitable[int]], wanted: int) -> bool:
    return await count() >= wanted


async def _not(answer: Awaitable[bool]) -> bool:
    return not await answer
