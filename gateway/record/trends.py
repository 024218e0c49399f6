"""Trends for pages: one series over any span, from the finest record that answers at once.

Rows for minutes, one-minute summaries for days, hour summaries for months and years; and coarser
ones wherever the finer are pruned already.
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

import numpy as np

from gateway.measure.blocks import Codes, Floats
from gateway.measure.columns import Ints
from gateway.measure.quality import Quality

from . import layout, rollup
from .rollup import HOUR_MS, MINUTE_MS
from .summary import NO_ROWS, Summary, each_row, merge, regroup

GAP = 3.0
"""A pause longer than this many usual intervals is a gap."""
HOURS_FROM_MS = 4 * HOUR_MS
"""Buckets this wide are made of hours: rounding them up to whole ones costs little."""

Series = tuple[int, str]
"""Number in the file, and name."""


@dataclass(frozen=True)
class Trend:
    """(n,) arrays of one series. `time`: bucket starts, seconds since 1970.

    `count` finite values in the bucket; `mean`, `low`, `high` and the standard `deviation` in Pa
    (output: its own unit), NaN where there are none (a deviation also where it is not known);
    `worst` quality code, BAD where nothing was recorded. `width` of a bucket in seconds, 0 when
    every row is shown.
    """

    time: Floats
    count: Ints
    mean: Floats
    low: Floats
    high: Floats
    deviation: Floats
    worst: Codes
    width: float


def trend(
    connection: sqlite3.Connection, series: str, start: float, end: float, buckets: int = 600
) -> Trend:
    """A series from start up to end (seconds since 1970) in at most `buckets` + 1 buckets.

    Every row as it is when there are no more than that; from a minute a bucket on, buckets are
    whole minutes, from four hours on whole hours, and also where they are whole hours from a whole
    hour on. Where rows are pruned buckets are whole minutes
    at least, where minutes are pruned whole hours. KeyError for a series never recorded,
    ValueError for an empty span.
    """
    if not end > start or buckets < 1:
        raise ValueError(f"from {start} to {end} in {buckets} buckets: end after start, 1 or more")
    row = connection.execute("SELECT id FROM series WHERE name = ?", (series,)).fetchone()
    if row is None:
        raise KeyError(series)
    first, last = int(start * 1000 // 1), int(-(-end * 1000 // 1))
    connection.execute("BEGIN")  # one state of the file for all questions
    try:
        return _trend_of(connection, (row[0], series), first, last, buckets)
    finally:
        connection.execute("COMMIT")


def _trend_of(
    connection: sqlite3.Connection, series: Series, first: int, last: int, buckets: int
) -> Trend:
    width = -(-(last - first) // buckets)
    whole = width % HOUR_MS == 0 and first % HOUR_MS == 0
    hours = width >= HOURS_FROM_MS or whole
    by_width = HOUR_MS if hours else MINUTE_MS if width >= MINUTE_MS else 0
    few = _few(connection, first, last, buckets)
    left = _left(connection, series[0], first, last, 0 if few else by_width)
    if left == 0 and few:
        return _raw(*_column(connection, series[1], first, last))
    if grain := max(left, by_width):
        return _wide(connection, series, first, last, width, grain)
    time, parts = _column(connection, series[1], first, last)
    return _bucketed(first, last, width, _regroup(time, parts, first, last, width))


def _left(connection: sqlite3.Connection, number: int, first: int, last: int, enough: int) -> int:
    """The finest that is left of the whole span: 0 rows, else a minute or an hour in ms.

    Nothing finer than `enough` is looked for. Hour by hour: after a clock was far back, a few rows
    may be older than all that is removed.
    """
    span = number, first - HOUR_MS, last
    kept = "WHERE series = ? AND hour_ms > ? AND hour_ms < ?"
    if enough < HOUR_MS:
        # Each hour has its minutes until they are removed: as many when none are.
        (removed,) = connection.execute(
            f"SELECT (SELECT count(*) FROM hours {kept})"  # noqa: S608 - own words
            f" > (SELECT count(*) FROM rollups {kept})",
            (*span, *span),
        ).fetchone()
        if removed:
            return HOUR_MS
    if enough < MINUTE_MS:
        # An hour that pruning has reached the middle of is still shown as rows.
        (removed,) = connection.execute(
            f"SELECT EXISTS (SELECT 1 FROM rollups {kept} AND NOT EXISTS"  # noqa: S608 - own words
            " (SELECT 1 FROM readings WHERE time_ms >= hour_ms AND time_ms < hour_ms + ?))",
            (*span, HOUR_MS),
        ).fetchone()
        if removed:
            return MINUTE_MS
    return enough


def _few(connection: sqlite3.Connection, first: int, last: int, buckets: int) -> bool:
    """True when the span has no more rows than buckets."""
    (count,) = connection.execute(
        "SELECT count(*) FROM (SELECT 1 FROM readings WHERE time_ms >= ? AND time_ms < ? LIMIT ?)",
        (first, last, buckets + 1),
    ).fetchone()
    return bool(count <= buckets)


def _column(
    connection: sqlite3.Connection, series: str, first: int, last: int
) -> tuple[Ints, Summary]:
    """(n,) times in ms and (n, 1) values of one series, from the rows themselves."""
    places = [
        (number, names.series.index(series))
        for number, names in layout.kept(connection).items()
        if series in names.series
    ]
    listed = ", ".join("(?, ?)" for _ in places)
    rows = connection.execute(
        f"WITH place (layout, at) AS (VALUES {listed}) "  # noqa: S608 - question marks only
        "SELECT time_ms, substr(series_values, 8 * at + 1, 8), substr(qualities, at + 1, 1) "
        "FROM readings CROSS JOIN place USING (layout) "
        "WHERE time_ms >= ? AND time_ms < ? ORDER BY time_ms",
        (*(number for pair in places for number in pair), first, last),
    ).fetchall()
    time = np.array([row[0] for row in rows], dtype=np.int64)
    values = np.frombuffer(b"".join(row[1] for row in rows), dtype="<f8")
    codes = np.frombuffer(b"".join(row[2] for row in rows), dtype=np.uint8)
    return time, each_row(values[:, None], codes[:, None])


def _regroup(time: Ints, parts: Summary, first: int, last: int, width: int) -> Summary:
    """Parts at `time` (ms) in buckets of `width` ms that begin at `first`."""
    return regroup(parts, (time - first) // width, -(-(last - first) // width))


def _wide(
    connection: sqlite3.Connection, series: Series, first: int, last: int, width: int, grain: int
) -> Trend:
    """Buckets of whole minutes or hours: closed hours from the rollups, the rest from the rows."""
    first, last = first // grain * grain, -(-last // grain) * grain
    width = -(-width // grain) * grain
    seam = max(first, min(last, rollup.rolled_to(connection) or first))
    kept = rollup.hours if grain == HOUR_MS else rollup.minutes
    time, parts = kept(connection, series[0], first, last)
    new = _column(connection, series[1], seam, last)
    there = rollup.removed(time, seam, new[0])
    both = merge(
        _regroup(time[there], parts.rows(there), first, last, width),
        _regroup(*new, first, last, width),
    )
    return _bucketed(first, last, width, both)


def _bucketed(first: int, last: int, width: int, parts: Summary) -> Trend:
    starts = np.arange(first, last, width, dtype=np.int64)
    return _shown(starts / 1000.0, parts, width / 1000.0)


def _shown(time: Floats, parts: Summary, width: float) -> Trend:
    worst = parts.worst[:, 0]
    return Trend(
        time=time,
        count=parts.count[:, 0],
        mean=parts.mean[:, 0],
        low=parts.low[:, 0],
        high=parts.high[:, 0],
        deviation=parts.deviation[:, 0],
        worst=np.where(worst == NO_ROWS, np.uint8(Quality.BAD), worst).astype(np.uint8),
        width=width,
    )


def _raw(time: Ints, parts: Summary) -> Trend:
    """Every row, and an empty one inside each gap."""
    shown = _shown(time / 1000.0, parts, 0.0)
    steps = np.diff(time)
    if len(steps) == 0:
        return shown
    usual = float(np.median(steps))
    after = np.flatnonzero(steps > GAP * usual)
    at = after + 1
    return Trend(
        time=np.insert(shown.time, at, (time[after] + usual) / 1000.0),
        count=np.insert(shown.count, at, 0),
        mean=np.insert(shown.mean, at, np.nan),
        low=np.insert(shown.low, at, np.nan),
        high=np.insert(shown.high, at, np.nan),
        deviation=np.insert(shown.deviation, at, np.nan),
        worst=np.insert(shown.worst, at, np.uint8(Quality.BAD)),
        width=0.0,
    )
