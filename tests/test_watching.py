"""What a start makes of the journal."""

from __future__ import annotations

import asyncio
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import structlog

from gateway import watching
from gateway.alarm.memory import Stored
from gateway.diagnose.diagnose import Diagnosis
from gateway.live import Live, SinkState
from gateway.measure.measure import Measure
from gateway.plant.site import Site
from gateway.poll.rows import Rows
from gateway.record import memory
from gateway.record.backlog import Scan
from gateway.record.journal import Search, open_findings, search
from gateway.record.recorder import Queue
from gateway.record.store import open_store
from gateway.watching import restored, still_open
from tests.alarm.alarm_plant import START, Watch, finding, plant
from tests.sites import block, site


def test_alarms_come_back_and_those_of_what_is_gone_are_told(tmp_path: Path) -> None:
    large, small = plant(2), plant(1)
    watch = Watch(large)
    watch.wait(10, [finding(large, "open-circuit", k, at=4) for k in ("p0-0a", "p1-0a")])
    with open_store(tmp_path, large) as store:
        store.write([], watch.said)
        live = restored(large, store, asyncio.Queue())
        assert live.alarms.standing == watch.alarms.standing()
    with open_store(tmp_path, small) as store, structlog.testing.capture_logs() as told:
        live = restored(small, store, asyncio.Queue())
        assert [s.definition.id for s in live.alarms.standing] == ["open-circuit:p0-0a"]
    assert [line["alarms"] for line in told] == [["open-circuit:p1-0a"]]


def test_alarms_of_a_clock_that_was_wrong_by_days_do_not_bind_the_new_ones(tmp_path: Path) -> None:
    """Else actions would be taken for then, and the load of then would count for ever."""
    here = plant(1)
    watch = Watch(here)
    watch.wait(10, [finding(here, "open-circuit", "p0-0a", at=4)])
    ahead = time.time() + 10 * 86_400 - watch.said[0].time
    late = [replace(t, time=t.time + ahead) for t in watch.said]
    with open_store(tmp_path, here) as store:
        store.write([], late)
        live = restored(here, store, asyncio.Queue())
        stored = live.alarms._alarms.stored
    assert [s.definition.id for s in live.alarms.standing] == ["open-circuit:p0-0a"]
    assert (stored.recent, stored.last) == ((), Stored().last)


def test_findings_that_the_site_file_leaves_nobody_to_judge_are_over(tmp_path: Path) -> None:
    """Else they and their alarms would stand for ever, whatever anybody does."""
    large, small = site(), plant(1)
    stood = [
        finding(large, "combination-mismatch", "stair"), finding(large, "hunting", "stair"),
        finding(large, "live-zero-mismatch", "p1"), finding(small, "open-circuit", "p0-0a"),
    ]  # fmt: skip
    with open_store(tmp_path, large) as store:
        store.write([], stood)
        # p1 has no controller_value, and p0-0a is of another site.
        assert still_open(large, store, START + 60) == tuple(stood[:2])
        assert store.do(open_findings) == tuple(stood[:2])
        (over,) = store.do(search, Search(ref=stood[2].id), 1)
        assert (over.phase, over.time_ms / 1000) == ("cleared", START + 60)
        words = large.model_dump(mode="json")
        words["loops"]["stair"]["feedback"] = None
        silent = Site.model_validate(words)
        assert still_open(silent, store, START + 90) == (stood[1],)
        assert still_open(small, store, START + 90) == ()
        assert store.do(open_findings) == ()


def test_what_another_version_has_written_does_not_keep_the_gateway_from_starting(
    tmp_path: Path,
) -> None:
    here = site()
    one, other = finding(here, "hunting", "stair"), finding(here, "open-circuit", "p1")
    of = Measure(here).columns
    with open_store(tmp_path, here) as store, structlog.testing.capture_logs() as told:
        store.write([], [one, other])
        store.do(
            lambda c: c.execute("UPDATE journal SET body = ? WHERE seq = 2", ('{"fault": "x"}',))
        )
        assert still_open(here, store, START) == (one,)
        for body in ({"transducers": {"p1": {"count": [1, 2, 3]}}}, {"transducers": [1]}):
            store.do(memory.keep, watching.PICTURE, 1, body)
            assert watching._learnt(store, of) is None
        store.do(memory.keep, watching.PICTURE, 1, {"transducers": {"p1": {"count": [1, 2]}}})
        kept = watching._learnt(store, of)
    assert kept is not None
    assert kept.count[:, 0].tolist() == [1, 2]
    assert [line["log_level"] for line in told] == ["warning"] * 3


class Clock:
    """Stands in for the machine's wall clock; `set` moves it."""

    def __init__(self) -> None:
        self._moved = 0.0

    def set(self, seconds: float) -> None:
        self._moved += seconds

    def __call__(self) -> float:
        return time.monotonic() + 1_780_000_000.0 + self._moved


@pytest.mark.slow
async def test_a_clock_that_is_set_costs_no_row_and_is_an_alarm(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    clock = Clock()
    monkeypatch.setattr("gateway.watching.time.time", clock)
    here = site(controllers={"a": {"host": "127.0.0.1", "interval_s": 0.1, "points": POINTS}})
    live, queue, measure = Live(here), Queue(), Measure(here)
    live.sinks["store"] = SinkState("store", connected=True)
    taken: list[Scan] = []

    async def rows(count: int) -> None:
        for _ in range(count):
            one = await queue.get()
            assert isinstance(one, Scan)
            taken.append(one)

    newest = clock() + 600
    with open_store(tmp_path, here) as store:
        early = block(here, {"a.c1": [4000.0]}, start=newest)
        store.write([(early, measure.examine(early))])
    with open_store(tmp_path, here) as store, structlog.testing.capture_logs() as told:
        work = watching.watch(
            live, Rows(here), measure, Diagnosis(here, measure.columns), queue, store
        )
        task = asyncio.create_task(work)
        await rows(3)
        clock.set(-7200)
        await rows(3)
        clock.set(+20_000)
        await rows(3)
        live.sinks["store"] = SinkState("store", connected=False, reason="disk is full")
        await rows(2)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
    times = np.array([float(one.block.time[0]) for one in taken])
    steps = np.diff(times)
    assert times[0] > newest, "rows of the store stay where they are"
    assert (steps > 0).all()
    assert (steps[:5] < 30).all(), "no jump while the clock is behind"
    assert steps[5] > 12_000, "followed at once"
    assert [line["event"] for line in told if line["event"] == "clock"] == ["clock"] * 3
    assert live.latest
    assert live.latest.clock.steps == 3, "one of them while it was off"
    assert (
        live.latest.troubles["history-not-recorded"] == "The history is not recorded: disk is full"
    )
    assert {one.definition.id for one in live.latest.alarms} >= {
        "clock-stepped:gateway", "history-not-recorded:gateway",
    }  # fmt: skip


POINTS = {
    "c1": {"table": "input", "address": 0},
    "c2": {"table": "input", "address": 1},
    "feedback": {"table": "holding", "address": 0, "type": "float32", "unit": "Pa"},
    "setpoint": {"table": "holding", "address": 2, "type": "float32", "unit": "Pa"},
}
