"""Trends against a naive reference; rollups against rows."""

from __future__ import annotations

import math
import sqlite3
import statistics
import tempfile
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.measure.blocks import Block, Floats, Readings
from gateway.measure.measure import Measure
from gateway.measure.quality import Quality
from gateway.record import history, rollup
from gateway.record.store import open_store
from gateway.record.trends import Trend, trend
from tests.record.made import START, plant, rows

pytestmark = pytest.mark.slow

HERE = plant()
SERIES = "transducer/p2"


def naive(time: Floats, readings: Readings, shown: Trend) -> None:
    """Each bucket looked at by itself."""
    for k, start in enumerate(shown.time.tolist()):
        inside = (time >= start - 5e-4) & (time < start + shown.width - 5e-4)
        values = [v for v in readings.pressure[inside, 1].tolist() if math.isfinite(v)]
        assert shown.count[k] == len(values)
        if values:
            assert shown.mean[k] == pytest.approx(math.fsum(values) / len(values), rel=1e-12)
            assert (shown.low[k], shown.high[k]) == (min(values), max(values))
            assert shown.deviation[k] == pytest.approx(
                statistics.pstdev(values), rel=1e-6, abs=1e-9
            )
        else:
            nothing = [shown.mean[k], shown.low[k], shown.high[k], shown.deviation[k]]
            assert np.isnan(nothing).all()
        worst = max(readings.quality[inside, 1].tolist(), default=int(Quality.BAD))
        assert shown.worst[k] == worst


def forget(connection: sqlite3.Connection, *tables: str) -> None:
    for table in tables:
        connection.execute(f"DELETE FROM {table}")  # noqa: S608 - own names


@given(
    gaps=st.lists(st.integers(1, 2_000_000), min_size=1, max_size=60),
    span=st.integers(1, 30_000),
    buckets=st.integers(1, 50),
    seed=st.integers(0, 9),
)
@settings(max_examples=15, deadline=None)
def test_trend_is_that_of_the_rows(gaps: list[int], span: int, buckets: int, seed: int) -> None:
    """Rows at any distance, so that hours close in some cases and not in others."""
    time = START + np.cumsum(gaps) / 1000.0
    block, means = rows(HERE, len(gaps), seed=seed)
    block = Block(time, block.values, block.reasons)
    means = Measure(HERE).examine(block)
    with tempfile.TemporaryDirectory() as folder, open_store(Path(folder), HERE) as store:
        for k in range(0, len(time), 7):
            part = block.rows(k, k + 7)
            store.write([(part, _part(means, k, k + 7))])
        with history.reader(store.file) as reader:
            shown = trend(reader, SERIES, START, START + span, buckets)
    inside = time < START + span
    if inside.sum() <= buckets:
        assert shown.width == 0
        kept = shown.mean[(shown.count > 0) | np.isin(shown.time, np.round(time, 3))]
        np.testing.assert_array_equal(kept, means.pressure[inside, 1])
    else:
        assert len(shown.time) <= buckets + 1
        _naive_inside(time, means, shown, START + span)


def _naive_inside(time: Floats, means: Readings, shown: Trend, end: float) -> None:
    """Buckets under a minute end at the end of the span, whole minutes at the end of theirs."""
    limit = end if shown.width < 60 else math.ceil(end / 60) * 60
    keep = time < limit
    naive(time[keep], _only(means, keep), shown)


def _part(readings: Readings, start: int, stop: int) -> Readings:
    return Readings(**{name: value[start:stop] for name, value in vars(readings).items()})


def _only(readings: Readings, keep: np.ndarray) -> Readings:
    return Readings(**{name: value[keep] for name, value in vars(readings).items()})


@pytest.mark.parametrize("pieces", [1, 20])
def test_rollups_equal_rows_across_restarts(tmp_path: Path, pieces: int) -> None:
    """Nine hours a row every 7 s, the store opened anew for every piece."""
    block, means = rows(HERE, 4600, step=7.0)
    cuts = np.linspace(0, len(block), pieces + 1).astype(int).tolist()
    for start, stop in pairwise(cuts):
        with open_store(tmp_path, HERE) as store:
            store.write([(block.rows(start, stop), _part(means, start, stop))])
    with open_store(tmp_path, HERE) as store:
        file = store.file
        while True:  # the backlog is rolled a few hours a commit
            before = store.do(rollup.rolled_to)
            store.do(rollup.roll, round(block.time[-1] * 1000))
            if store.do(rollup.rolled_to) == before:
                break
        with history.reader(file) as reader:
            rolled = trend(reader, SERIES, START, block.time[-1], 100)
            assert rollup.rolled_to(reader) == block.time[-1] // 3600 * 3_600_000
        store.do(forget, "rollups", "hours", "cursors")
        with history.reader(file) as reader:
            plain = trend(reader, SERIES, START, block.time[-1], 100)
    assert rolled.width == 360
    np.testing.assert_array_equal(rolled.time, plain.time)
    np.testing.assert_allclose(rolled.mean, plain.mean, rtol=1e-12)
    np.testing.assert_allclose(rolled.deviation, plain.deviation, rtol=1e-6)
    for name in ("count", "low", "high", "worst"):
        np.testing.assert_array_equal(getattr(rolled, name), getattr(plain, name), err_msg=name)
    naive(block.time, means, rolled)


def test_hour_with_two_site_files(tmp_path: Path) -> None:
    """Both layouts of an hour end in one rollup of the series they share."""
    wider = plant(third=True)
    block, means = rows(HERE, 100, step=10.0)
    later, later_means = rows(wider, 300, start=START + 1000, step=10.0)
    with open_store(tmp_path, HERE) as store:
        store.write([(block, means)])
    with open_store(tmp_path, wider) as store:
        store.write([(later, later_means)])
        with history.reader(store.file) as reader:
            shown = trend(reader, SERIES, START, START + 4000, 20)
            assert rollup.rolled_to(reader) is not None
    time = np.concatenate([block.time, later.time])
    both = np.concatenate([means.pressure[:, 1], later_means.pressure[:, 1]])
    for k, start in enumerate(shown.time.tolist()):
        values = both[(time >= start) & (time < start + shown.width) & np.isfinite(both)]
        assert shown.count[k] == len(values)


def test_few_rows_are_shown_as_they_are_with_their_gaps(tmp_path: Path) -> None:
    block, means = rows(HERE, 20)
    time = np.where(np.arange(20) < 12, block.time, block.time + 300)
    block = Block(time, block.values, block.reasons)
    with open_store(tmp_path, HERE) as store:
        store.write([(block, Measure(HERE).examine(block))])
        with history.reader(store.file) as reader:
            shown = trend(reader, SERIES, START, START + 3600)
    assert len(shown.time) == 21
    assert shown.time[12] == time[11] + 1
    assert np.isnan(shown.mean[12])
    assert (shown.count[12], shown.worst[12]) == (0, Quality.BAD)
    np.testing.assert_array_equal(np.delete(shown.mean, 12), means.pressure[:, 1])


def test_every_series_of_a_loop(tmp_path: Path) -> None:
    block, means = rows(HERE, 50)
    with open_store(tmp_path, HERE) as store:
        store.write([(block, means)])
        with history.reader(store.file) as reader:
            for name in ("combined", "feedback", "setpoint", "output", "running"):
                shown = trend(reader, f"loop/stair/{name}", START, START + 50)
                np.testing.assert_array_equal(shown.mean, getattr(means, name)[:, 0], name)
            quality = trend(reader, "loop/stair/combined", START, START + 50).worst
    np.testing.assert_array_equal(quality, means.combined_quality[:, 0])


def test_minutes_outlive_their_rows(tmp_path: Path) -> None:
    block, means = rows(HERE, 4600, step=7.0)
    with open_store(tmp_path, HERE) as store:
        store.write([(block, means)])
        store.write([rows(HERE, 1, start=float(block.time[-1]) + 7)])
        with history.reader(store.file) as reader:
            before = trend(reader, SERIES, START, START + 7200, 50)
        limit = round((START + 20_000) * 1000)
        store.do(lambda c: c.execute("DELETE FROM readings WHERE time_ms < ?", (limit,)))
        with history.reader(store.file) as reader:
            after = trend(reader, SERIES, START, START + 7200, 50)
    np.testing.assert_array_equal(before.count, after.count)


def test_wrong_questions(tmp_path: Path) -> None:
    with open_store(tmp_path, HERE) as store, history.reader(store.file) as reader:
        with pytest.raises(KeyError, match="transducer/none"):
            trend(reader, "transducer/none", START, START + 1)
        with pytest.raises(ValueError, match="end after start"):
            trend(reader, SERIES, START, START)
        empty = trend(reader, SERIES, START, START + 10)
        assert len(empty.time) == 0
        assert history.rows_after(reader, 0, 10) is None
