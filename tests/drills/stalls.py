"""Broker and time-series server that hang (SIGSTOP) and are started anew, while a gateway runs."""

from __future__ import annotations

import asyncio
import signal
from pathlib import Path

import httpx

from gateway.record import journal, outbox
from gateway.record.store import open_store
from gateway.settings import Settings
from tests.publish.servers import Broker, TimeSeries
from tests.whole.program import gateway

from .counting import counting, site_at
from .report import Outcome
from .running import (
    Made,
    Person,
    alarms_heard,
    arrived,
    caught_up,
    outbox_empty,
    person,
    rows_told,
    sent,
)
from .servers import ended

HANG_S = 12.0
"""Longer than the gateway waits for an answer of either."""
DOWN_S = 2.0
RESTARTS = 3


async def drill(folder: Path, broker: Broker, series: TimeSeries) -> list[Outcome]:
    """The lines of the table: rows at the server, events at the broker, for each way to break."""
    state = folder / "state"
    settings = Settings(
        _env_file=None, state_dir=state, http_port=0, mqtt_host="127.0.0.1",
        mqtt_port=broker.port, influx_url=series.url, influx_interval_s=0.5,
    )  # fmt: skip
    # A session that outlives the broker: what it has confirmed, it must hand on.
    session = ("-c", "-i", "drill-reader")
    async with counting() as peer, broker.subscribed("loopwitness/#", *session) as got:
        await asyncio.sleep(0.3)
        with rows_told() as made:
            async with gateway(site_at(peer.port), settings) as client:
                ada = person(client, state)
                async with ada.busy():
                    await caught_up(client, "mqtt", "influx")
                    hung = [await _hang(broker, series, client)]
                    down = [await _restart(broker, series, client) for _ in range(RESTARTS)]
                await caught_up(client, "mqtt", "influx")
                upto = made.times[-1]
                await sent(series, "drill", upto)
                await outbox_empty(state)
        told = await alarms_heard(got, state)
    return await _outcomes(state, series, made, ada, (hung, down), told, upto)


async def _hang(broker: Broker, series: TimeSeries, client: httpx.AsyncClient) -> float:
    for one in (broker, series):
        one.signal(signal.SIGSTOP)
    await asyncio.sleep(HANG_S)
    for one in (broker, series):
        one.signal(signal.SIGCONT)
    return await caught_up(client, "mqtt", "influx")


async def _restart(broker: Broker, series: TimeSeries, client: httpx.AsyncClient) -> float:
    series.kill()
    broker.signal(signal.SIGTERM)
    await asyncio.sleep(DOWN_S)
    await ended(broker)
    await asyncio.gather(broker.start(), series.start())
    return await caught_up(client, "mqtt", "influx")


async def _outcomes(
    state: Path,
    series: TimeSeries,
    made: Made,
    ada: Person,
    back: tuple[list[float], list[float]],
    told: list[int],
    upto: int,
) -> list[Outcome]:
    with open_store(state, site_at(1)) as store:
        found = store.do(journal.search, journal.Search(kind="alarm"), 10_000_000)
        kept = set(store.do(lambda c: [row[0] for row in c.execute("SELECT time_ms FROM scans")]))
        waiting = store.do(outbox.waiting)
    wanted = {t for t in made.times if t <= upto}
    points = await arrived(series, "drill", wanted)
    broken = f"broker and server: hung {HANG_S:.0f} s, started anew"
    remarks = [
        f"back after the hang in {back[0][0]:.1f} s",
        f"no pause between rows over {made.longest_pause():.2f} s",
        f"a person waited {ada.longest_s:.2f} s at most",
    ]
    not_told = {entry.seq for entry in found} - set(told)
    rows = set(made.times)
    times, lost = 1 + RESTARTS, len(wanted - points)
    return [
        Outcome(broken, times, "rows in the history", len(made.times), len(rows - kept),
                len(made.times) - len(rows), back[1], remarks),
        Outcome(broken, times, "rows at the server", len(wanted), lost, None),
        Outcome(broken, times, "alarm events at the broker", len(found), len(not_told) + waiting,
                len(told) - len(set(told))),
    ]  # fmt: skip
