"""A disk that is full, read-only (also at the start), or holds a damaged file, under a gateway."""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import httpx
from prometheus_client.parser import text_string_to_metric_families
from structlog.testing import capture_logs

from gateway import watching
from gateway.plant.site import Site
from gateway.record import opening
from gateway.record.store import open_store
from gateway.settings import Settings
from tests.whole.program import gateway, until

from .counting import counting, site_at
from .disks import PRETENDED, Disk, disk
from .report import Outcome
from .running import Made, rows_told

BROKEN_S = 3.0
"""How long each trouble lasts; what is not written meanwhile waits in memory."""
HISTORY, ASIDE = "history-not-recorded", "history-set-aside"


async def drill(folder: Path) -> list[Outcome]:
    """The lines of the table."""
    keep_s, watching.KEEP_S = watching.KEEP_S, 1.0  # what is learnt is written meanwhile too
    try:
        async with counting() as peer:
            with disk(folder / "disk") as there:
                here = site_at(peer.port)
                return [
                    await _full(there, here),
                    await _read_only(there, here),
                    await _read_only_from_the_start(there, here),
                    await _damaged(there, here),
                ]
    finally:
        watching.KEEP_S = keep_s


@asynccontextmanager
async def _running(
    there: Disk, here: Site
) -> AsyncIterator[tuple[httpx.AsyncClient, Made, list[Any]]]:
    settings = Settings(_env_file=None, state_dir=there.folder / "state", http_port=0)
    with rows_told() as made, capture_logs() as told:
        async with gateway(here, settings) as client:
            await until(60, "a row", lambda: _there(made))
            yield client, made, told


async def _full(there: Disk, here: Site) -> Outcome:
    async with _running(there, here) as (client, made, told):
        await asyncio.sleep(1.5)
        there.fill()
        await _seen_everywhere(client, made, told, HISTORY)
        there.free()
        back = await _over(client, HISTORY)
    return _outcome("disk full", made, _kept(there, here), back, there.how)


async def _read_only(there: Disk, here: Site) -> Outcome:
    async with _running(there, here) as (client, made, told):
        await asyncio.sleep(1.5)
        there.pretend(writable=False)
        await _seen_everywhere(client, made, told, HISTORY)
        there.pretend(writable=True)
        back = await _over(client, HISTORY)
    return _outcome("disk turned read-only", made, _kept(there, here), back, PRETENDED)


async def _read_only_from_the_start(there: Disk, here: Site) -> Outcome:
    there.turn(writable=False)
    async with _running(there, here) as (client, made, told):
        await _seen_everywhere(client, made, told, HISTORY)
        there.turn(writable=True)
        back = await _over(client, HISTORY)
    return _outcome("disk read-only at the start", made, _kept(there, here), back, there.how)


async def _damaged(there: Disk, here: Site) -> Outcome:
    file = there.folder / "state" / opening.FILE
    broken = bytearray(file.read_bytes())
    broken[4096:] = b"\x5a" * (len(broken) - 4096)
    file.write_bytes(broken)
    async with _running(there, here) as (client, made, told):
        await _seen_everywhere(client, made, told, ASIDE)
    kept = [one.read_bytes() for one in file.parent.glob("history-damaged-*.sqlite3")]
    if kept != [bytes(broken)]:
        raise AssertionError(f"{len(kept)} damaged files kept aside, not one as it was found")
    said = "the damaged file is kept as it was found"
    return _outcome("history file damaged", made, _kept(there, here), [], said)


async def _there(made: Made) -> bool:
    return bool(made.times)


async def _more(made: Made, count: int) -> bool:
    return len(made.times) > count


async def _well(client: httpx.AsyncClient) -> bool:
    return (await client.get("/healthz")).status_code == 200


async def _listed(client: httpx.AsyncClient, alarm: str) -> bool:
    alarms = (await client.get("/api/v1/alarms")).json()
    listed = alarms["alarms"] if isinstance(alarms, dict) else alarms
    return any(one["id"] == alarm and one["active"] for one in listed)


async def _told(client: httpx.AsyncClient, trouble: str) -> bool:
    return trouble in (await client.get("/healthz")).json()["troubles"]


async def _not_told(client: httpx.AsyncClient, trouble: str) -> bool:
    return not await _told(client, trouble)


async def _seen_everywhere(
    client: httpx.AsyncClient, made: Made, told: list[Any], trouble: str
) -> None:
    """On page, health, metrics, among the alarms and in the log; and rows go on. AssertionError."""
    began = time.monotonic()
    await until(60, f"{trouble} is told", lambda: _told(client, trouble))
    rows = len(made.times)
    await asyncio.sleep(max(0.0, BROKEN_S - (time.monotonic() - began)))
    await until(60, "watching goes on", lambda: _more(made, rows + 5))
    await until(60, "healthy all the same: a new start would not help", lambda: _well(client))
    assert await _told(client, trouble)
    text = (await client.get("/metrics")).text
    samples = [s for family in text_string_to_metric_families(text) for s in family.samples]
    mine = [s.value for s in samples if s.labels.get("trouble") == trouble]
    assert mine == [1.0]
    await until(60, "it is an alarm", lambda: _listed(client, f"{trouble}:gateway"))
    state = await _first_state(client)
    assert state["troubles"], "at the top of every page"
    assert any(line["log_level"] in ("warning", "error") for line in told)


async def _first_state(client: httpx.AsyncClient) -> dict[str, Any]:
    """What the page's stream sends first."""
    async with client.stream("GET", "/api/v1/stream") as answer:
        async for line in answer.aiter_lines():
            if line.startswith("data:"):
                found = json.loads(line.removeprefix("data:"))
                assert isinstance(found, dict)
                return found
    raise AssertionError("the stream ended")


async def _over(client: httpx.AsyncClient, trouble: str) -> list[float]:
    took = await until(120, f"{trouble} is over", lambda: _not_told(client, trouble))
    await asyncio.sleep(0.5)
    return [took]


def _outcome(broken: str, made: Made, kept: set[int], back: list[float], *remarks: str) -> Outcome:
    twice = len(made.times) - len(set(made.times))
    said = [*remarks, f"rows at most {made.longest_pause():.2f} s apart"]
    lost = len(set(made.times) - kept)
    return Outcome(broken, 1, "rows in the history", len(made.times), lost, twice, back, said)


def _kept(there: Disk, here: Site) -> set[int]:
    """Times (ms) of the rows in the history, over all of the drill."""
    with open_store(there.folder / "state", here) as store:
        return {row[0] for row in store.do(lambda c: c.execute("SELECT time_ms FROM scans"))}
