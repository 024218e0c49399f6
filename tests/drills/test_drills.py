"""The drills as tests: nothing is lost but what was not yet committed when a process was killed."""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import pytest

from gateway.record.store import open_store
from tests.publish.servers import Broker, TimeSeries

from . import broken_disk, fuzz, kills, outage, soak, stalls
from .counting import site_at
from .filled import fill
from .report import Outcome, table


def nothing_lost(outcomes: list[Outcome]) -> None:
    assert sum(one.lost for one in outcomes) == 0, table(outcomes)
    assert all(one.made > 0 for one in outcomes), table(outcomes)
    print(table(outcomes))  # noqa: T201 (shown when the test fails)


@pytest.mark.slow
def test_malformed_answers() -> None:
    nothing_lost(fuzz.drill())


@pytest.mark.server
@pytest.mark.slow
@pytest.mark.timeout(600)
async def test_killed_while_recording_and_forwarding(
    tmp_path: Path, broker: Broker, series: TimeSeries
) -> None:
    outcomes = await kills.drill(tmp_path, broker, series)
    nothing_lost(outcomes)
    assert sum(one.twice or 0 for one in outcomes[:3]) == 0, table(outcomes)


@pytest.mark.server
@pytest.mark.slow
@pytest.mark.timeout(600)
async def test_broker_and_server_hang_and_are_started_anew(
    tmp_path: Path, broker: Broker, series: TimeSeries
) -> None:
    outcomes = await stalls.drill(tmp_path, broker, series)
    nothing_lost(outcomes)
    assert max(outcomes[0].back_s) < 30


@pytest.mark.server
@pytest.mark.slow
@pytest.mark.timeout(600)  # catching up takes as long as the machine needs for it
async def test_a_day_without_broker_and_server(
    tmp_path: Path, broker: Broker, series: TimeSeries
) -> None:
    """Rows count up to one that was waited for at the server (`running.sent` says why).

    Counted up to the last but one at the stop, that very row was the one that was missing.
    """
    outcomes = await outage.drill(tmp_path, broker, series)
    nothing_lost(outcomes)
    assert outcomes[0].made > outage.DAY_S
    assert outcomes[1].made == outage.EVENTS


@pytest.mark.server
@pytest.mark.slow
@pytest.mark.timeout(600)
async def test_a_disk_in_trouble(tmp_path: Path) -> None:
    nothing_lost(await broken_disk.drill(tmp_path))


@pytest.mark.server
@pytest.mark.slow
async def test_left_alone_with_everything_connected(tmp_path: Path) -> None:
    """A short one, to see that it measures; the slope means something after an hour."""
    found = await soak.soak(tmp_path, 0.2, filled_h=1.5)
    assert len(found.times_s) > 10
    assert found.rows >= 5
    assert 30 < found.memory_MB[-1] < 400
    assert found.asked > 20
    assert found.acted > 0
    assert "MB an hour" in found.lines()


def test_a_history_is_filled_up_to_now(tmp_path: Path) -> None:
    here = site_at(502)
    assert fill(tmp_path, here, 1.5, interval_s=10) == 540
    with open_store(tmp_path, here) as store:
        count, newest = store.do(
            lambda c: c.execute("SELECT count(*), max(time_ms) FROM readings").fetchone()
        )
        assert count == 540
        assert 0 < 1000 * time.time() - newest < 60_000
        hours = store.do(lambda c: c.execute("SELECT count(*) FROM hours").fetchone()[0])
        assert hours >= len(here.transducers)


def test_slope_of_memory_is_that_of_its_last_two_thirds() -> None:
    times = [60.0 * k for k in range(61)]
    memory = [100.0 + (20 - k if k < 20 else 0.05 * (k - 20)) for k in range(61)]
    assert soak.Soak(times, memory, 1).slope == pytest.approx((3.0, 3.0, 3.0))


def test_slope_of_memory_that_only_wavers_holds_zero() -> None:
    times = [5.0 * k for k in range(720)]
    memory = [100.0 + 2.0 * np.sin(k / 10) for k in range(720)]
    middle, low, high = soak.Soak(times, memory, 1).slope
    assert low < 0 < high
    assert abs(middle) < 1


def test_rows_that_a_killed_process_may_lose() -> None:
    """Those not committed, unless they stayed out of two commits, or none came for long."""
    rows = [float(k) for k in range(60)]
    life = kills.Life(rows=rows[:9], committed={0, 1000})
    life.commits = [kills.Commit(3, {0, 1000}, done=True), kills.Commit(6, {4000})]
    assert not life.may_lose(1000), "it was committed"
    assert not life.may_lose(2000), "made before two commits, and in neither"
    assert life.may_lose(4000), "killed in the middle of its commit"
    assert life.may_lose(5000), "made, but not queued, when that began"
    assert life.may_lose(8000)
    life = kills.Life(rows=rows)
    assert not life.may_lose(9000), "51 rows, and no commit"
    assert life.may_lose(10_000)
    life.commits = [kills.Commit(5, {1000})]
    assert life.may_lose(2000), "its commit takes long"
    life.commits[0].done = True
    assert not life.may_lose(2000), "55 rows since a commit without it, and no other"
    life.commits.append(kills.Commit(20, {19_000}))
    assert not life.may_lose(1000), "a commit failed, and the next went without what was in it"
