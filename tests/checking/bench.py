"""A gateway with rows by hand, and loop checks over it; the numbers are invented."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Mapping, Sequence
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Any

from gateway.checking.checks import Checks, LookBack, Open
from gateway.live import Snapshot
from gateway.loopcheck.events import Applied, Decided, Finished
from gateway.loopcheck.run import Decide, Measure
from gateway.plant.site import Site
from tests.alarm.alarm_plant import START
from tests.alarm.running import Gateway, running
from tests.loopcheck.made import ADA, checked_site
from tests.sites import block, counts_for

HERE = checked_site(range=[-25, 100])


class Bench:
    """Applies pressures, a row a second of the gateway's own clock."""

    def __init__(self, there: Gateway, checks: Checks, here: Site) -> None:
        self.there, self.checks, self.here = there, checks, here
        self.pressures: dict[str, float] = {"p1": 30.0, "p2": 30.0}
        self.wiring = {"p1": "p1", "p2": "p2"}

    @property
    def now(self) -> float:
        return START + self.there.second

    async def rows(self, count: int = 1, **reported: float) -> None:
        """A number of rows, each taken in before the next."""
        for _ in range(count):
            self.there.second += 1.0
            self._row(reported)
            await settled(self.there)

    def _row(self, reported: Mapping[str, float]) -> None:
        seen = {key: self.pressures[self.wiring[key]] for key in self.pressures}
        values: dict[str, Sequence[float]] = {
            "a.c1": [counts_for((seen["p1"] + 25) / 1.25)],
            "a.c2": [counts_for((seen["p2"] + 25) / 1.25)],
            "a.v1": [seen["p1"]], "a.v2": [seen["p2"]],
            "a.feedback": [sum(seen.values()) / 2], "a.setpoint": [40.0],
            **{f"a.{name}": [value] for name, value in reported.items()},
        }  # fmt: skip
        readings = self.there.measure.examine(block(self.here, values, start=self.now))
        live = self.there.live
        live.alarms.examine(readings, (), ())
        live.show(Snapshot(live.next_number, self.now, readings, (), {}, {}, live.alarms.standing))

    def at(self) -> dict[str, Any]:
        return {"time": self.now, "person": ADA}

    async def apply(self, one: Open) -> None:
        """What is asked for, at every transducer that takes part, and said so."""
        assert one.step
        self.pressures |= one.step.apply
        await self.checks.tell(one.name, Applied(**self.at(), step=one.step.key))

    async def step(self, one: Open, rows: int = 6) -> None:
        """One step read, or decided without adjustment."""
        task = one.run.task
        if isinstance(task, Measure):
            await self.apply(one)
            await self.rows(rows)
        elif isinstance(task, Decide):
            decided = Decided(**self.at(), transducer=task.transducer, adjusted=False)
            await self.checks.tell(one.name, decided)

    async def whole(self, one: Open) -> None:
        """To the record."""
        while isinstance(one.run.task, Measure | Decide):
            await self.step(one)
        await self.checks.tell(one.name, Finished(**self.at()))


async def settled(there: Gateway) -> None:
    """Until the checks have taken the latest row in, and what they write is on disk."""
    for _ in range(3):
        await asyncio.sleep(0)
        await there.store.apart(lambda: None)
    await asyncio.sleep(0)


@asynccontextmanager
async def bench(
    folder: Path, here: Site = HERE, look_back: LookBack = lambda _run: ()
) -> AsyncIterator[Bench]:
    """Checks over a gateway whose store is in `folder`."""
    async with running(here, folder) as there:
        checks = Checks(there.live, there.store, "0.1.0", look_back=look_back,
                        clock=lambda: START + there.second)  # fmt: skip
        await checks.load()
        task = asyncio.create_task(checks.watch(), name="checks")
        await asyncio.sleep(0)
        try:
            yield Bench(there, checks, here)
        finally:
            task.cancel()
            with suppress(asyncio.CancelledError):
                await task
