"""Look-back and due dates over a real store."""

from __future__ import annotations

import asyncio
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from gateway.alarm.own import OVERDUE
from gateway.checking.duedates import keep_due
from gateway.checking.lookback import HistoryBehind, history_of
from gateway.loopcheck.events import Abandoned, Begun
from gateway.loopcheck.plan import facts
from gateway.loopcheck.run import Run
from gateway.measure.measure import Measure
from gateway.plant.site import Site
from gateway.record import checks as kept
from gateway.record.store import open_store
from tests.alarm.alarm_plant import START
from tests.checking.bench import bench
from tests.loopcheck.made import ADA, checked_site, plan
from tests.sites import block, counts_for

pytestmark = pytest.mark.slow

HERE = checked_site(calibrated="2026-05-30", check_every_days=3, tolerance_pct_span=1.0)
"""START is the first of June: due on the second."""


def past(folder: Path, here: Site, pressure: float, seconds: int, ends: float = START) -> None:
    """Rows before a moment in which both transducers read the same."""
    with open_store(folder, here) as store:
        counts = [counts_for((pressure + 25) / 1.25)] * seconds
        made = block(here, {"a.c1": counts, "a.c2": counts, "a.running": [1.0] * seconds},
                     start=ends - seconds)  # fmt: skip
        store.write([(made, Measure(here).examine(made))])


async def checked(folder: Path, offset: float) -> tuple[Run, dict[str, Any]]:
    """A check in which p1 reads so much too high; the run and its record."""
    async with bench(folder, HERE, look_back=HistoryBehind(folder / "history.sqlite3")) as there:
        apply = there.apply

        async def applied(one: Any) -> None:
            await apply(one)
            there.pressures["p1"] += offset

        there.apply = applied  # type: ignore[method-assign] # one sensor is off
        one = await there.checks.begin(plan(scheme="three points"), ADA)
        await there.whole(one)
        assert one.record
        found = there.there.store.do(kept.record, one.record)
        assert found
        return one.run, dict(found[0])


async def test_a_transducer_that_was_off_is_looked_back_on(tmp_path: Path) -> None:
    past(tmp_path, HERE, 45.0, 1800)
    _, record = await checked(tmp_path, 5.0)
    (told,) = record["look_back"]
    assert told["transducer"] == "p1"
    assert told["shown_mean"] == pytest.approx(45, abs=0.05)
    assert told["true_mean"] == pytest.approx(42.5, abs=0.1)
    assert told["hours"] == pytest.approx(0.5, abs=0.05)
    assert told["begins"] == pytest.approx(START - 1800)


async def test_what_was_applied_in_an_earlier_check_is_not_what_the_loop_did(
    tmp_path: Path,
) -> None:
    """Abandoned ten minutes before, after the calibrator had stood at 90 Pa for as long."""
    past(tmp_path, HERE, 45.0, 1800)
    past(tmp_path, HERE, 90.0, 600, ends=START - 1800)
    wanted = plan(transducers=("p1",))
    begun = Begun(time=START - 2400, person=ADA, plan=wanted, facts=facts(HERE, "stair", "0.1.0"))
    with open_store(tmp_path, HERE) as store:
        store.do(kept.append, "stair-0", begun)
        gone = Abandoned(time=START - 1800, person=ADA, reason="called away")
        store.do(kept.append, "stair-0", gone)
        assert store.do(kept.spans, ["p2", "x"]) == [(START - 2400, START - 1800)]
        assert store.do(kept.spans, ["x"]) == []
    _, record = await checked(tmp_path, 5.0)
    (told,) = record["look_back"]
    assert told["shown_mean"] == pytest.approx(45, abs=0.05)
    assert told["hours"] == pytest.approx(0.5, abs=0.05)


async def test_one_that_was_right_is_not(tmp_path: Path) -> None:
    past(tmp_path, HERE, 45.0, 600)
    run, record = await checked(tmp_path, 0.3)
    assert record["look_back"] == []
    with open_store(tmp_path, HERE) as store:
        assert store.do(kept.last_good, "p1") == pytest.approx(record["finished"], abs=0.001)
        assert store.do(kept.last_good, "p2") is None
        history = store.do(history_of, run, ("p1",))
    assert history.since == record["finished"]


async def test_a_history_that_cannot_be_read_is_told(tmp_path: Path) -> None:
    run, _ = await checked(tmp_path, 5.0)
    (told,) = HistoryBehind(tmp_path / "nowhere.sqlite3")(run)
    assert "could not be read" in told["words"]


async def test_overdue_is_a_notice_until_it_is_checked(tmp_path: Path) -> None:
    async with bench(tmp_path, HERE) as there:
        late = START + 5 * 86_400.0
        task = asyncio.create_task(
            keep_due(there.there.live, there.there.store, there.checks, lambda: late)
        )
        while not there.checks.due:  # noqa: ASYNC110 - nothing tells of it
            await asyncio.sleep(0.01)
        notice = there.there.live.notices[OVERDUE]
        assert notice == (
            "Transducers are overdue for a check: p1 since 2026-06-02, p2 since 2026-06-02"
        )
        changes = there.there.live.alarms.examine(
            there.there.measure.examine(block(HERE, {"a.c1": [9000.0]}, start=START)), (), (),
            there.there.live.notices,
        )  # fmt: skip
        assert [(t.fault, t.subject) for t in changes] == [(OVERDUE, "gateway")]
        there.there.second = 4 * 86_400.0
        zero = await there.checks.begin(plan(scheme="zero", only_as_found=True), ADA)
        await there.whole(zero)
        assert there.there.store.do(kept.last_good, "p1") is None, "the zero alone is no check"
        one = await there.checks.begin(plan(scheme="three points", only_as_found=True), ADA)
        await there.whole(one)
        while "p1" in there.there.live.notices[OVERDUE]:  # noqa: ASYNC110 - as above
            await asyncio.sleep(0.01)
        assert [d.transducer for d in there.checks.due if d.overdue] == ["p2"]
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task
