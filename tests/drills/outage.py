"""A day without broker and time-series server, then both are back: catching up beside new rows."""

from __future__ import annotations

import asyncio
import signal
import time
from pathlib import Path
from typing import Any

import httpx
import numpy as np

from gateway.alarm.states import Event, State
from gateway.alarm.transition import Priority, Transition
from gateway.measure.blocks import Block, Floats
from gateway.measure.measure import Measure
from gateway.record import cursors, journal, outbox
from gateway.record.store import open_store
from gateway.settings import Settings
from tests.publish.made import until
from tests.publish.servers import Broker, TimeSeries
from tests.whole.program import gateway

from .counting import counting, site_at
from .report import Outcome
from .running import alarms_heard, arrived, caught_up, outbox_empty, rows_told, sent
from .servers import ended

DAY_S = 86_400
EVENTS = 3_000
"""Alarm transitions of that day: a very bad one."""
LIVE_S = 0.5
"""A live row, and a retained state of every loop, so often."""


def fill(state: Path, end: float) -> None:
    """A day of rows a second, and alarms that came and went, none of it sent."""
    here = site_at(1)
    measure, chance = Measure(here), np.random.default_rng(3)
    width = len(here.controllers["a"].points)
    with open_store(state, here) as store:
        store.do(cursors.put, "influx", round((end - DAY_S) * 1000) - 1)
        for k in range(0, DAY_S, 3600):
            time_s: Floats = end - DAY_S + k + np.arange(3600.0)
            values: Floats = chance.integers(14_000, 16_000, (3600, width)).astype(np.float64)
            block = Block(time_s, values, np.zeros(values.shape, dtype=np.uint8))
            store.write([(block, measure.examine(block))])
        step = DAY_S / EVENTS
        store.write([], [_transition(k, end - DAY_S + k * step) for k in range(EVENTS)])


def _transition(number: int, when: float) -> Transition:
    """The alarm about a limit comes, is seen, and goes."""
    normal, active, seen = State.NORMAL, State.UNACKNOWLEDGED, State.ACKNOWLEDGED
    event, before, after = (
        (Event.ALARM, normal, active),
        (Event.ACKNOWLEDGE, active, seen),
        (Event.RETURN, seen, normal),
    )[number % 3]
    return Transition(
        time=when, order=0, alarm="pressure-high:l0", fault="pressure-high", kind="loop",
        subject="l0", event=event, before=before, after=after, priority=Priority.MEDIUM,
        message="Pressure above 90 Pa",
    )  # fmt: skip


async def drill(folder: Path, broker: Broker, series: TimeSeries) -> list[Outcome]:
    """The lines of the table; both servers are stopped first, and started for the catching up."""
    state, end = folder / "state", float(int(time.time()) - 60)
    settings = Settings(
        _env_file=None, state_dir=state, http_port=0, mqtt_host="127.0.0.1",
        mqtt_port=broker.port, mqtt_interval_s=LIVE_S, influx_url=series.url,
        influx_interval_s=LIVE_S,
    )  # fmt: skip
    # The reader's session outlives the broker, so that nothing it has confirmed is missed.
    session = ("-c", "-i", "drill-reader")
    async with counting() as peer, broker.subscribed("loopwitness/#", *session) as got:
        await asyncio.sleep(0.5)
        series.kill()
        broker.signal(signal.SIGTERM)
        await asyncio.to_thread(fill, state, end)
        await ended(broker)
        here = site_at(peer.port, interval_s=LIVE_S)
        with rows_told() as made:
            async with gateway(here, settings) as client:
                await asyncio.sleep(3.0)
                await until(lambda: made.times)
                await asyncio.gather(broker.start(), series.start())
                began = time.monotonic()
                page = asyncio.create_task(_page(client), name="page")
                took = await caught_up(client, "mqtt", "influx", seconds=300)
                page.cancel()
                slowest = (await asyncio.gather(page, return_exceptions=True))[0]
                assert isinstance(slowest, float), slowest
                upto = made.times[-1]
                last = await sent(series, "drill", upto)
                await outbox_empty(state)
        told = await alarms_heard(got, state)
    remarks = [
        f"meanwhile rows at most {made.longest_pause(began):.2f} s apart (due: {LIVE_S} s)",
        f"states at the broker {_pauses(got):.2f} s",
        f"page within {slowest:.2f} s",
        f"newest row at the server after {last:.1f} s",
    ]
    return await _outcomes(state, series, told, upto, took, remarks)


async def _page(client: httpx.AsyncClient) -> float:
    """Ask for the loops again and again until cancelled; the longest wait, s."""
    longest = 0.0
    try:
        while True:
            began = time.monotonic()
            (await client.get("/api/v1/loops")).raise_for_status()
            longest = max(longest, time.monotonic() - began)
            await asyncio.sleep(0.2)
    except asyncio.CancelledError:
        return longest


def _pauses(got: list[dict[str, Any]]) -> float:
    """Seconds between two retained states of a loop, at most, by the times in them."""
    times = [
        np.datetime64(one["payload"]["time"].rstrip("Z"), "ms").astype(np.int64) / 1000
        for one in got
        if one["topic"].endswith("/loops/l1") and one["payload"]
    ]
    return float(np.diff(np.unique(times)).max())


async def _outcomes(
    state: Path,
    series: TimeSeries,
    told: list[int],
    upto: int,
    took: float,
    remarks: list[str],
) -> list[Outcome]:
    with open_store(state, site_at(1)) as store:
        kept = set(store.do(lambda c: [row[0] for row in c.execute("SELECT time_ms FROM scans")]))
        found = store.do(journal.search, journal.Search(kind="alarm"), 10_000_000)
        waiting = store.do(outbox.waiting)
    wanted = {t for t in kept if t <= upto}
    points = await arrived(series, "drill", wanted)
    broken = "broker and server away for 24 h"
    not_told = {entry.seq for entry in found} - set(told)
    return [
        Outcome(broken, 1, "rows at the server", len(wanted), len(wanted - points), None, [took],
                remarks),
        Outcome(broken, 1, "alarm events at the broker", len(found), len(not_told) + waiting,
                len(told) - len(set(told))),
    ]  # fmt: skip
