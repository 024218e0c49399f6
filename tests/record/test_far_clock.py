"""A clock that was years back puts rows among what was removed long ago: nothing goes or hides."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from gateway.record import rollup
from gateway.record.opening import reader
from gateway.record.retention import Keep, prune
from gateway.record.store import Store, open_store
from gateway.record.trends import Trend, trend
from tests.export.kept import cells, column, exported
from tests.record.made import START, plant, rows

DAY_S = 86_400
DAYS = 4
END = START + DAYS * DAY_S
pytestmark = pytest.mark.slow

HERE = plant()
SERIES = "transducer/p1"


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """Rows every five minutes for four days; those of the first three are removed."""
    with open_store(tmp_path, HERE) as store:
        store.write([rows(HERE, DAYS * 288, step=300.0)])
        roll(store)
        yield store


def roll(store: Store) -> None:
    while (store.do(rollup.rolled_to) or 0) + rollup.HOUR_MS <= END * 1000:
        store.do(rollup.roll, round(END * 1000))


def first_day(store: Store, buckets: int) -> Trend:
    with reader(store.file) as connection:
        return trend(connection, SERIES, START, START + DAY_S, buckets)


@pytest.mark.parametrize("buckets", [6, 24, 1440])
async def test_what_is_only_in_summaries_is_shown_while_the_clock_is_behind(
    store: Store, buckets: int
) -> None:
    await prune(store, Keep(1.0, 100.0, 100.0), END)
    before = first_day(store, buckets)
    assert before.count.sum() > 200
    store.write([rows(HERE, 3, start=START - 2000 * DAY_S)])
    same(first_day(store, buckets), before)
    store.write([rows(HERE, 1, start=END + 60)])
    same(first_day(store, buckets), before)


@pytest.mark.parametrize("kind", ["minutes", "hours"])
async def test_what_is_only_in_summaries_is_exported_while_the_clock_is_behind(
    tmp_path: Path, store: Store, kind: str
) -> None:
    await prune(store, Keep(1.0, 100.0, 100.0), END)
    before = figures(exported(tmp_path, HERE, kind, "before.csv", start=str(START)))
    store.write([rows(HERE, 3, start=START - DAY_S)])
    after = figures(exported(tmp_path, HERE, kind, "after.csv", start=str(START)))
    assert sum(map(int, column(before, "p1 count"))) > 900
    assert after == before


@pytest.mark.parametrize("kept", ["minutes", "hours"])
async def test_an_hour_of_removed_rows_is_not_replaced_by_a_minute(store: Store, kept: str) -> None:
    await prune(store, Keep(1.0, 100.0 if kept == "minutes" else 1.0, 100.0), END)
    before = first_day(store, 24)
    store.write([rows(HERE, 5, start=START + 7260, seed=3)])
    for k in range(DAYS * 5):
        store.write([rows(HERE, 1, start=END + 60 * k)])
    roll(store)
    after = first_day(store, 24)
    untouched = np.arange(len(before.count)) != 2
    assert (after.count[untouched] == before.count[untouched]).all()
    assert after.count[2] >= before.count[2] > 0
    assert after.low[2] <= before.low[2]
    assert after.high[2] >= before.high[2]


def figures(file: Path) -> list[dict[str, str]]:
    """Rows of an export without deviations, which have seven digits in summaries, and more anew."""
    rows_of = cells(file)
    return [{k: v for k, v in row.items() if "deviation" not in k} for row in rows_of]


def same(one: Trend, other: Trend) -> None:
    for name in ("time", "count", "mean", "low", "high", "worst"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name))
