"""From the queue to the disk: nothing held up, nothing lost without being counted."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import structlog
from hypothesis import given
from hypothesis import strategies as st

from gateway.diagnose.findings import Finding
from gateway.errors import StoreError
from gateway.live import SinkState
from gateway.measure.blocks import Block
from gateway.record import journal
from gateway.record.backlog import LEAST_ROWS, Backlog, Row, Scan, rows_in_memory
from gateway.record.journal import Happened
from gateway.record.recorder import Queue, record
from gateway.record.store import Store, open_store
from tests.record.made import START, finding, plant, rows

HERE = plant()
TICK = 0.005


def scan(number: int, *findings: Finding) -> Scan:
    return Scan(*rows(HERE, 1, start=START + number), findings)


def count(store: Store) -> int:
    (number,) = store.do(lambda c: c.execute("SELECT count(*) FROM scans").fetchone())
    return int(number)


async def test_drains_at_the_end_of_the_stream(tmp_path: Path) -> None:
    queue: Queue = asyncio.Queue()
    sinks: dict[str, SinkState] = {}
    for k in range(50):
        queue.put_nowait(scan(k, *([finding()] if k == 7 else [])))
    queue.put_nowait(None)
    with open_store(tmp_path, HERE) as store:
        await record(store, queue, sinks, interval_s=60)
        assert count(store) == 50
        assert len(store.do(journal.open_findings)) == 1
    state = sinks["store"]
    assert (state.connected, state.sent, state.waiting, state.reason) == (True, 50, 0, "")
    assert state.last_sent == START + 49


class Disk:
    """Stands before a store: takes nothing while `full`."""

    def __init__(self, store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
        self.full = False
        self.calls = 0
        write = store.write

        def checked(got: Sequence[Row], happened: Sequence[Happened] = ()) -> None:
            self.calls += 1
            if self.full:
                raise StoreError("history: database or disk is full")
            write(got, happened)

        monkeypatch.setattr(store, "write", checked)


async def until(test: Any) -> None:
    async with asyncio.timeout(30):
        while not test():  # noqa: ASYNC110 - the state is a plain dictionary
            await asyncio.sleep(TICK / 2)


async def test_full_disk_costs_old_rows_only_and_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    queue: Queue = asyncio.Queue(4)
    sinks: dict[str, SinkState] = {}
    with open_store(tmp_path, HERE) as store, structlog.testing.capture_logs() as told:
        disk = Disk(store, monkeypatch)
        disk.full = True
        task = asyncio.create_task(record(store, queue, sinks, bound=10, interval_s=TICK))
        for k in range(30):
            async with asyncio.timeout(30):  # the poller is never held up
                await queue.put(scan(k, *([finding()] if k == 0 else [])))
        await until(lambda: sinks["store"].failures > 2 and sinks["store"].waiting == 10)
        state = sinks["store"]
        assert not state.connected
        assert "disk is full" in state.reason
        assert "20 rows lost since the start" in state.reason
        disk.full = False
        await until(lambda: sinks["store"].connected)
        await queue.put(None)
        await task
        assert count(store) == 10
        (oldest,) = store.do(lambda c: c.execute("SELECT min(time) FROM scans").fetchone())
        assert oldest == START + 20, "the oldest went"
        assert len(store.do(journal.open_findings)) == 1, "a finding outlives its row"
    assert sinks["store"].reason == "20 rows lost since the start"
    warnings = [line["event"] for line in told if line["log_level"] == "warning"]
    assert warnings == ["the store does not take rows"], "logged once, not every second"
    assert [line["event"] for line in told][-1] == "the store takes rows again"


async def test_gives_up_at_the_end_when_the_disk_stays_full(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    queue: Queue = asyncio.Queue()
    with open_store(tmp_path, HERE) as store:
        disk = Disk(store, monkeypatch)
        disk.full = True
        queue.put_nowait(scan(0))
        queue.put_nowait(None)
        async with asyncio.timeout(30):
            await record(store, queue, {}, interval_s=TICK)
        assert disk.calls in {3, 4}, "one on the way, three at the end"


async def test_cancelled_in_the_middle(tmp_path: Path) -> None:
    queue: Queue = asyncio.Queue()
    with open_store(tmp_path, HERE) as store:
        task = asyncio.create_task(record(store, queue, {}, interval_s=TICK))
        queue.put_nowait(scan(0))
        await asyncio.sleep(3 * TICK)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task


async def test_own_mistake_is_not_taken_for_the_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    queue: Queue = asyncio.Queue()
    with open_store(tmp_path, HERE) as store:

        def wrong(*_: object) -> None:
            raise ValueError("block of 2 points: the site has 7")

        monkeypatch.setattr(store, "write", wrong)
        queue.put_nowait(scan(0))
        with pytest.raises(ExceptionGroup):
            await record(store, queue, {}, interval_s=TICK)


def test_a_small_site_holds_hours_and_a_large_one_minutes() -> None:
    """64 MB of rows that wait for the disk, however wide they are."""
    block, means = rows(HERE, 1)
    assert rows_in_memory(block, means) > 10_000
    wide = {
        name: np.repeat(value, 4000, axis=1)
        for name, value in vars(means).items()
        if name != "time"
    }
    large = replace(means, **wide)
    assert rows_in_memory(block, large) == LEAST_ROWS


@given(st.lists(st.integers(0, 5), max_size=12), st.integers(1, 6))
def test_backlog_never_exceeds_its_bound_and_keeps_order(steps: list[int], bound: int) -> None:
    """Rows added and failed commits in any order: what is left is the newest, in order."""
    backlog, number = Backlog(bound), 0
    block, means = rows(HERE, 1)
    for added in steps:
        taken = backlog.take()
        for _ in range(added):
            backlog.add(Scan(Block(block.time * 0 + number, block.values, block.reasons), means))
            number += 1
        backlog.put_back(taken)
    left = [int(row[0].time[0]) for row in backlog.rows]
    assert left == list(range(max(0, number - bound), number))
    assert backlog.lost == max(0, number - bound)
