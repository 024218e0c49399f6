"""The demo plant, checked in its own time: wrong settings in its controllers are each named."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from gateway.checking.checks import Checks, Open
from gateway.demo.control import demo_site_path
from gateway.demo.plant import Plant
from gateway.live import Snapshot
from gateway.loopcheck.events import Applied, Decided, Finished
from gateway.loopcheck.plan import Plan, Reference
from gateway.loopcheck.run import Decide, Measure
from gateway.measure.blocks import Block
from gateway.measure.quality import Reason
from gateway.plant.site import Site
from gateway.plant.sitefile import read_site
from gateway.record import checks as kept
from tests.alarm.alarm_plant import START
from tests.alarm.running import Gateway, running
from tests.checking.bench import settled

pytestmark = pytest.mark.slow

SITE = read_site(demo_site_path())
AT: dict[str, Any] = {"person": "Ada Example"}


class Room:
    """The plant, the calibrator, and somebody who does what is asked."""

    def __init__(self, there: Gateway, checks: Checks, site: Site, seed: int) -> None:
        self.there, self.checks, self.site = there, checks, site
        self.plant = Plant(site, seed=seed, time=START)

    async def second(self) -> None:
        self.plant.step(1.0)
        self.there.second += 1.0
        now = START + self.there.second
        values = [v for key in self.site.controllers for v in self.plant.values(key)]
        row = np.array([values])
        readings = self.there.measure.examine(
            Block(np.array([now]), row, np.full(row.shape, Reason.NONE, dtype=np.uint8))
        )
        live = self.there.live
        live.alarms.examine(readings, (), ())
        live.show(Snapshot(live.next_number, now, readings, (), {}, {}, live.alarms.standing))
        await settled(self.there)

    async def check(self, loop: str, **wanted: Any) -> dict[str, Any]:
        """A whole check; the record."""
        members = self.site.loops[loop].transducers
        reference = Reference(identity="Calibrator 7", expanded=0.02, unit="Pa")
        plan = {"loop": loop, "transducers": members, "scheme": "three points", **wanted}
        one = await self.checks.begin(Plan.model_validate({"reference": reference, **plan}), "Ada")
        while not isinstance(one.run.task, Measure | Decide) or await self._do(one):
            if one.name not in self.checks.open:
                break
            if not isinstance(one.run.task, Measure | Decide):
                await self.checks.tell(one.name, Finished(time=self.now, **AT))
                break
        assert one.record
        found = self.there.store.do(kept.record, one.record)
        assert found
        return dict(found[0])

    @property
    def now(self) -> float:
        return START + self.there.second

    async def _do(self, one: Open) -> bool:
        task = one.run.task
        if isinstance(task, Decide):
            no = Decided(time=self.now, **AT, transducer=task.transducer, adjusted=False)
            await self.checks.tell(one.name, no)
            return True
        assert isinstance(task, Measure)
        for key, pressure in task.step.apply.items():
            self.plant.switch("calibrator", key, pressure, on=True)
        await self.second()
        await self.checks.tell(one.name, Applied(time=self.now, **AT, step=task.step.key))
        for _ in range(60):
            await self.second()
            if one.run.done(task.step):
                return True
            if one.settling.asks:
                await self.checks.force(one.name, "Ada", "as it is")
                return True
        raise AssertionError(one.settling.why)


@asynccontextmanager
async def room(folder: Path, seed: int = 5) -> AsyncIterator[Room]:
    async with running(SITE, folder) as there:
        checks = Checks(there.live, there.store, "0.1.0", clock=lambda: START + there.second)
        await checks.load()
        task = asyncio.create_task(checks.watch(), name="checks")
        await asyncio.sleep(0)
        try:
            yield Room(there, checks, SITE, seed)
        finally:
            task.cancel()
            with suppress(asyncio.CancelledError):
                await task


def names(record: dict[str, Any]) -> list[tuple[str, str]]:
    return [(one["fault"], one["subject"]) for one in record["mistakes"]]


@pytest.mark.parametrize("loop", list(SITE.loops))
async def test_a_sound_loop_passes(tmp_path: Path, loop: str) -> None:
    async with room(tmp_path) as here:
        record = await here.check(loop)
    assert (names(record), record["verdict"]) == ([], "pass")
    assert {p["name"]: p["verdict"] for p in record["combined"]["proofs"]} == {
        "Which input is which": "pass", "Scaling of each input": "pass", "Combination": "pass",
        "Beyond the range": "pass", "Direction of action": "pass", "Set point in range": "pass",
    }  # fmt: skip


@pytest.mark.parametrize(("loop", "seed"), [*zip(SITE.loops, (21, 22, 25), strict=True)])
async def test_a_sound_loop_of_noisy_transducers_has_no_mistake(
    tmp_path: Path, loop: str, seed: int
) -> None:
    """Noise of a per cent of span: readings are taken by hand, and nothing is made up."""
    async with room(tmp_path, seed) as here:
        for key in SITE.loops[loop].transducers:
            noise = 0.01 * SITE.transducers[key].span_pa
            here.plant.switch("excess-noise", key, noise, on=True)
        record = await here.check(loop)
    assert names(record) == []
    assert record["verdict"] != "fail"


FAULTS = [
    ("stair-b", "range-mismatch", "dp-201", None, ("range-mismatch", "dp-201"), "-25 to 200"),
    ("stair-b", "live-zero-mismatch", "dp-202", None, ("live-zero-mismatch", "dp-202"),
     "4-20 mA taken for 0-20 mA"),
    ("stair-b", "inputs-swapped", "stair-b", None, ("inputs-swapped", "dp-201, dp-202"),
     "are swapped"),
    ("stair-b", "combination-mismatch", "stair-b", None, ("combination-mismatch", "stair-b"),
     "but the minimum"),
    ("stair-b", "action-reversed", "stair-b", None, ("action-reversed", "stair-b"), "must rise"),
    ("stair-b", "setpoint-outside-range", "stair-b", None, ("setpoint-outside-range", "stair-b"),
     "-25 to 100"),
    ("ahu-1-supply", "range-mismatch", "dp-302", 3.0, ("range-mismatch", "dp-302"), "0 to 3"),
    ("ahu-1-supply", "live-zero-mismatch", "dp-301", None, ("live-zero-mismatch", "dp-301"),
     "0-10 V taken for 2-10 V"),
    ("ahu-1-supply", "inputs-swapped", "ahu-1-supply", None,
     ("inputs-swapped", "dp-301, dp-302"), "are swapped"),
    ("ahu-1-supply", "combination-mismatch", "ahu-1-supply", 0.0,
     ("combination-mismatch", "ahu-1-supply"), "but the average"),
    ("exhaust-plenum", "range-mismatch", "dp-403", -250.0, ("range-mismatch", "dp-403"),
     "-250 to"),
    ("exhaust-plenum", "live-zero-mismatch", "dp-402", None, ("live-zero-mismatch", "dp-402"),
     "2-10 V taken for 0-10 V"),
    ("exhaust-plenum", "combination-mismatch", "exhaust-plenum", 1.0,
     ("combination-mismatch", "exhaust-plenum"), "but the minimum"),
    ("exhaust-plenum", "inputs-swapped", "exhaust-plenum", None,
     ("inputs-swapped", "dp-401, dp-402"), "are swapped"),
    ("ahu-1-supply", "unit-mismatch", "dp-301", None, ("unit-mismatch", "dp-301"), "mmH2O"),
    ("ahu-1-supply", "percent-for-value", "dp-302", None, ("percent-for-value", "dp-302"),
     "per cent"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("loop", "kind", "subject", "size", "named", "words"),
    FAULTS,
    ids=[f"{kind} {subject}" for _, kind, subject, *_ in FAULTS],
)
async def test_a_wrong_setting_of_the_demo_is_named(
    tmp_path: Path,
    loop: str,
    kind: str,
    subject: str,
    size: float | None,
    named: tuple[str, str],
    words: str,
) -> None:
    async with room(tmp_path) as here:
        here.plant.switch(kind, subject, size, on=True)
        record = await here.check(loop)
    assert names(record) == [named]
    assert words in record["mistakes"][0]["words"]
    assert record["verdict"] == "fail"


async def test_a_transducer_that_is_off_fails_and_is_no_wrong_setting(tmp_path: Path) -> None:
    async with room(tmp_path) as here:
        here.plant.switch("zero-shift", "dp-201", 4.0, on=True)
        record = await here.check("stair-b", scheme="five points", combined=False)
    first, second = record["transducers"]
    assert names(record) == []
    assert first["as_found"]["input"]["verdict"] == "fail"
    assert second["as_found"]["input"]["verdict"] == "pass"
    assert first["as_found"]["input"]["line"]["zero"]["error"] == pytest.approx(3.2, abs=0.6)
    assert record["as_found_verdict"] == "fail"
