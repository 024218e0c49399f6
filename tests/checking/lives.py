"""Lives of a gateway that checks and checks until somebody kills it; for `test_check_kills.py`."""

from __future__ import annotations

import asyncio
from multiprocessing.connection import Connection
from pathlib import Path

from gateway import logs
from gateway.checking.checks import Open
from gateway.loopcheck.events import Finished, Resumed
from gateway.loopcheck.run import Decide, Measure
from tests.checking.bench import Bench, bench
from tests.loopcheck.made import ADA, plan

LIFE_S = 10_000.0
"""Seconds of the gateway's clock from one life to the next."""
WANTED = plan(scheme="three points", transducers=("p1", "p2"))


def life(folder: str, number: int, told: Connection) -> None:
    """Check one loop after the other, and tell of every step that is said to be recorded."""
    logs.configure("text", "critical")
    asyncio.run(_live(Path(folder), number, told))


async def _live(folder: Path, number: int, told: Connection) -> None:
    async with bench(folder) as there:
        there.there.second = LIFE_S * number
        while True:
            one = next(iter(there.checks.open.values()), None)
            if one is None:
                one = await there.checks.begin(WANTED, ADA)
            elif one.run.paused:
                await there.checks.tell(one.name, Resumed(**there.at()))
            await _to_the_end(there, one, told)


async def _to_the_end(there: Bench, one: Open, told: Connection) -> None:
    while isinstance(one.run.task, Measure | Decide):
        before = len(one.run.recorded)
        await there.step(one)
        if len(one.run.recorded) > before:
            told.send(("recorded", one.name, list(one.run.recorded)[-1]))
        await there.rows()
    await there.checks.tell(one.name, Finished(**there.at()))
    told.send(("finished", one.name, str(one.record)))
