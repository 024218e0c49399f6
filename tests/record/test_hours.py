"""Hours beside minutes: made with them, asked for where a span is long or minutes are gone."""

from __future__ import annotations

import math
import re
import sqlite3
import statistics
from pathlib import Path

import numpy as np
import pytest

from gateway.measure.blocks import Readings
from gateway.record import history, rollup, schema, third_step
from gateway.record.opening import FILE
from gateway.record.store import Store, open_store
from gateway.record.trends import Trend, trend
from tests.record.made import START, plant, rows

pytestmark = pytest.mark.slow

HERE = plant()
SERIES = "transducer/p2"
STEP = 97.0
COUNT = 3000
"""Three and a half days of rows that fall on every second of the minute."""
END = START + COUNT * STEP
HOUR = 3600.0


@pytest.fixture
def written(tmp_path: Path) -> tuple[Store, Readings]:
    """A closed file with its rows rolled, and what was written."""
    with open_store(tmp_path, HERE) as store:
        for k in range(0, COUNT, 100):
            store.write([rows(HERE, 100, start=START + k * STEP, step=STEP, seed=k)])
    parts = [
        rows(HERE, 100, start=START + k * STEP, step=STEP, seed=k)[1] for k in range(0, COUNT, 100)
    ]
    whole = {name: np.concatenate([getattr(p, name) for p in parts]) for name in vars(parts[0])}
    return store, Readings(**whole)


def ask(store: Store, start: float, end: float, buckets: int) -> Trend:
    with history.reader(store.file) as reader:
        return trend(reader, SERIES, start, end, buckets)


def forget(store: Store, table: str, before: float = math.inf) -> None:
    """Delete what begins before a time."""
    column = "time_ms" if table == "readings" else "hour_ms"
    with sqlite3.connect(store.file) as connection:
        limit = min(before * 1000, 2**62)
        connection.execute(f"DELETE FROM {table} WHERE {column} < ?", (limit,))  # noqa: S608 - own
    connection.close()


def check(shown: Trend, means: Readings) -> None:
    """Each bucket against the rows in it."""
    for k, start in enumerate(shown.time.tolist()):
        inside = (means.time >= start) & (means.time < start + shown.width)
        values = [v for v in means.pressure[inside, 1].tolist() if math.isfinite(v)]
        assert shown.count[k] == len(values)
        if values:
            assert shown.mean[k] == pytest.approx(statistics.fmean(values), rel=1e-9)
            assert (shown.low[k], shown.high[k]) == (min(values), max(values))
            assert shown.deviation[k] == pytest.approx(statistics.pstdev(values), rel=1e-6)
            assert shown.worst[k] == means.quality[inside, 1].max()


def test_long_spans_are_made_of_hours(written: tuple[Store, Readings]) -> None:
    store, means = written
    shown = ask(store, START, END, 10)
    assert shown.width == 9 * HOUR, "8.1 hours, in whole ones"
    check(shown, means)
    forget(store, "rollups")
    hourly = ask(store, START, END, 10)
    np.testing.assert_array_equal(hourly.mean, shown.mean, "minutes are not looked at")


def test_shorter_spans_are_made_of_minutes(written: tuple[Store, Readings]) -> None:
    store, means = written
    shown = ask(store, START, START + 30 * HOUR, 10)
    assert shown.width == 3 * HOUR
    check(shown, means)
    forget(store, "hours")
    np.testing.assert_array_equal(ask(store, START, START + 30 * HOUR, 10).mean, shown.mean)


def test_hours_and_minutes_agree(written: tuple[Store, Readings]) -> None:
    store, _ = written
    with history.reader(store.file) as reader:
        (number,) = reader.execute("SELECT id FROM series WHERE name = ?", (SERIES,)).fetchone()
        first, last = 0, round(END * 1000)
        at, hours = rollup.hours(reader, number, first, last)
        when, minutes = rollup.minutes(reader, number, first, last)
    assert len(at) == math.ceil((END - START % HOUR - START) / HOUR)
    where = np.searchsorted(at, when, side="right") - 1
    np.testing.assert_array_equal(np.bincount(where, minutes.count[:, 0]), hours.count[:, 0])
    weighted = np.nan_to_num(minutes.mean[:, 0]) * minutes.count[:, 0]
    np.testing.assert_allclose(np.bincount(where, weighted) / hours.count[:, 0], hours.mean[:, 0])


def test_narrow_spans_are_hours_where_minutes_are_pruned(written: tuple[Store, Readings]) -> None:
    """Ten minutes of long ago are the hour they lie in, not nothing."""
    store, means = written
    forget(store, "readings", START + 40 * HOUR)
    forget(store, "rollups", START + 39 * HOUR)
    shown = ask(store, START + 5 * HOUR, START + 5 * HOUR + 600, 600)
    assert (len(shown.time), shown.width) == (1, HOUR)
    check(shown, means)
    across = ask(store, START + 30 * HOUR, START + 50 * HOUR, 600)
    assert across.width == HOUR
    check(across, means)
    later = ask(store, START + 60 * HOUR, START + 70 * HOUR, 300)
    assert later.width == 120, "minutes again where there are some"


def test_narrow_spans_are_minutes_where_rows_are_pruned(written: tuple[Store, Readings]) -> None:
    store, means = written
    forget(store, "readings", START + 40 * HOUR)
    shown = ask(store, START + 5 * HOUR, START + 5 * HOUR + 600, 600)
    assert shown.width == 60
    check(shown, means)


def test_file_of_version_2_is_brought_forward(written: tuple[Store, Readings]) -> None:
    """Hours are made of the minutes that are there; a deviation that nobody kept is not known."""
    store, means = written
    before = ask(store, START, END, 10)
    with sqlite3.connect(store.file) as connection:
        kept = connection.execute("SELECT rowid, minutes FROM rollups").fetchall()
        for rowid, blob in kept:
            new = np.frombuffer(blob, dtype=third_step.NEW)
            old = np.zeros(60, dtype=third_step.OLD)
            for name in third_step.OLD.names or ():
                old[name] = new[name]
            connection.execute(
                "UPDATE rollups SET minutes = ? WHERE rowid = ?", (old.tobytes(), rowid)
            )
        later = [part for step in schema.MIGRATIONS[2:] for part in step if isinstance(part, str)]
        for name in re.findall(r"CREATE TABLE (\w+)", " ".join(later)):
            connection.execute(f"DROP TABLE {name}")
        connection.execute("PRAGMA user_version = 2")
    connection.close()
    with open_store(store.file.parent, HERE):
        pass
    after = ask(store, START, END, 10)
    for name in ("time", "count", "low", "high", "worst"):
        np.testing.assert_array_equal(getattr(after, name), getattr(before, name), name)
    np.testing.assert_allclose(after.mean, before.mean, rtol=1e-12)
    assert np.isnan(after.deviation[:-1]).all()
    assert np.isnan(ask(store, START, START + 30 * HOUR, 10).deviation).all()
    assert third_step.NEW == rollup.RECORD, "no later step yet"
    assert (store.file.parent / FILE).exists()
    assert len(means) == COUNT
