"""The read side: trends for pages, recorded blocks for replay, rows for the time-series server.

Every function takes a read-only connection from `reader` and asks short questions only.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gateway.measure.blocks import Block, Codes, Floats
from gateway.measure.columns import Ints
from gateway.measure.quality import Quality, Reason

from . import layout, rollup
from .opening import reader
from .summary import NO_ROWS, Summary, each_row, merge, regroup

__all__ = ["Rows", "Trend", "raw_blocks", "reader", "rows_after", "trend"]

GAP = 3.0
"""A pause longer than this many usual intervals is a gap."""


@dataclass(frozen=True)
class Trend:
    """(n,) arrays of one series. `time`: bucket starts, seconds since 1970.

    `count` finite values in the bucket; `mean`, `low`, `high` in Pa (output: its own unit), NaN
    where there are none; `worst` quality code, BAD where nothing was recorded. `width` of a
    bucket in seconds, 0 when every row is shown.
    """

    time: Floats
    count: Ints
    mean: Floats
    low: Floats
    high: Floats
    worst: Codes
    width: float


def trend(
    connection: sqlite3.Connection, series: str, start: float, end: float, buckets: int = 600
) -> Trend:
    """A series from start up to end (seconds since 1970) in at most `buckets` + 1 buckets.

    Every row as it is when there are no more than that; from a minute a bucket on, buckets are
    whole minutes. KeyError for a series never recorded, ValueError for an empty span.
    """
    if not end > start or buckets < 1:
        raise ValueError(f"from {start} to {end} in {buckets} buckets: end after start, 1 or more")
    row = connection.execute("SELECT id FROM series WHERE name = ?", (series,)).fetchone()
    if row is None:
        raise KeyError(series)
    first, last = int(start * 1000 // 1), int(-(-end * 1000 // 1))
    connection.execute("BEGIN")  # one state of the file for all questions
    try:
        if _few(connection, row[0], first, last, buckets):
            return _raw(*_column(connection, series, first, last))
        width = -(-(last - first) // buckets)
        if width < rollup.MINUTE_MS:
            time, parts = _column(connection, series, first, last)
            return _bucketed(first, last, width, regroup_by(time, parts, first, last, width))
        return _wide(connection, (row[0], series), first, last, width)
    finally:
        connection.execute("COMMIT")


def _few(connection: sqlite3.Connection, number: int, first: int, last: int, buckets: int) -> bool:
    """True when the span has no more rows than buckets, and no minutes whose rows are pruned."""
    (count,) = connection.execute(
        "SELECT count(*) FROM (SELECT 1 FROM readings WHERE time_ms >= ? AND time_ms < ? LIMIT ?)",
        (first, last, buckets + 1),
    ).fetchone()
    if count > buckets:
        return False
    (oldest,) = connection.execute("SELECT min(time_ms) FROM readings").fetchone()
    pruned = connection.execute(
        "SELECT 1 FROM rollups WHERE series = ? AND hour_ms > ? AND hour_ms < ?",
        (
            number,
            first - rollup.HOUR_MS,
            last if oldest is None else min(last, oldest - rollup.HOUR_MS),
        ),
    ).fetchone()
    return pruned is None


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


def regroup_by(time: Ints, parts: Summary, first: int, last: int, width: int) -> Summary:
    """Parts at `time` (ms) in buckets of `width` ms that begin at `first`."""
    return regroup(parts, (time - first) // width, -(-(last - first) // width))


def _wide(
    connection: sqlite3.Connection, series: tuple[int, str], first: int, last: int, width: int
) -> Trend:
    """Buckets of whole minutes: closed hours from the rollups, the rest from the rows."""
    minute = rollup.MINUTE_MS
    first, last = first // minute * minute, -(-last // minute) * minute
    width = -(-width // minute) * minute
    seam = max(first, min(last, rollup.rolled_to(connection) or first))
    old = rollup.minutes(connection, series[0], first, seam)
    new = _column(connection, series[1], seam, last)
    both = merge(
        regroup_by(*old, first, last, width),
        regroup_by(*new, first, last, width),
    )
    return _bucketed(first, last, width, both)


def _bucketed(first: int, last: int, width: int, parts: Summary) -> Trend:
    starts = np.arange(first, last, width, dtype=np.int64)
    return _trend(starts / 1000.0, parts, width / 1000.0)


def _trend(time: Floats, parts: Summary, width: float) -> Trend:
    worst = parts.worst[:, 0]
    return Trend(
        time=time,
        count=parts.count[:, 0],
        mean=parts.mean[:, 0],
        low=parts.low[:, 0],
        high=parts.high[:, 0],
        worst=np.where(worst == NO_ROWS, np.uint8(Quality.BAD), worst).astype(np.uint8),
        width=width,
    )


def _raw(time: Ints, parts: Summary) -> Trend:
    """Every row, and an empty one inside each gap."""
    shown = _trend(time / 1000.0, parts, 0.0)
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
        worst=np.insert(shown.worst, at, np.uint8(Quality.BAD)),
        width=0.0,
    )


def raw_blocks(
    connection: sqlite3.Connection,
    start: float,
    end: float,
    rows_per_block: int = 86_400,
    *,
    points: Sequence[str],
) -> Iterator[Block]:
    """Recorded blocks from start up to end (seconds since 1970), with the columns `points`.

    Values, reasons and times are those of the block that was written, bit by bit. A point that
    was not recorded then is NaN with reason NOT_READ_YET. No question stays open between blocks.
    """
    names = layout.kept(connection)
    next_ms, last = int(start * 1000 // 1), int(-(-end * 1000 // 1))
    while rows := connection.execute(
        "SELECT time_ms, time, layout, point_values, reasons FROM scans"
        " WHERE time_ms >= ? AND time_ms < ? ORDER BY time_ms LIMIT ?",
        (next_ms, last, rows_per_block),
    ).fetchall():
        next_ms = rows[-1][0] + 1
        values = np.full((len(rows), len(points)), np.nan)
        reasons = np.full(values.shape, Reason.NOT_READ_YET, dtype=np.uint8)
        for number in {row[2] for row in rows}:
            which = np.array([k for k, row in enumerate(rows) if row[2] == number])
            _place(rows, which, names[number].points, points, values, reasons)
        yield Block(np.array([row[1] for row in rows], dtype=np.float64), values, reasons)


def _place(
    rows: list[tuple[int, float, int, bytes, bytes]],
    which: Ints,
    recorded: tuple[str, ...],
    points: Sequence[str],
    values: Floats,
    reasons: Codes,
) -> None:
    """Copy rows of one layout to where their points are wanted."""
    shape = (len(which), len(recorded))
    stored = np.frombuffer(b"".join(rows[k][3] for k in which), dtype="<f8").reshape(shape)
    codes = np.frombuffer(b"".join(rows[k][4] for k in which), dtype=np.uint8).reshape(shape)
    known = {name: k for k, name in enumerate(recorded)}
    for column, name in enumerate(points):
        if name in known:
            values[which, column] = stored[:, known[name]]
            reasons[which, column] = codes[:, known[name]]


@dataclass(frozen=True)
class Rows:
    """Stored rows of one layout: (n,) times in ms, (n, series) and (n, points) values."""

    layout: layout.Layout
    time_ms: Ints
    values: Floats
    qualities: Codes
    points: Floats

    def __len__(self) -> int:
        return len(self.time_ms)


def rows_after(connection: sqlite3.Connection, after_ms: int, limit: int) -> Rows | None:
    """The next rows after a time, at most `limit`, as far as they share a layout; None at the end.

    ms since 1970.
    """
    rows = connection.execute(
        "SELECT time_ms, readings.layout, series_values, qualities, point_values"
        " FROM readings JOIN scans USING (time_ms)"
        " WHERE time_ms > ? ORDER BY time_ms LIMIT ?",
        (after_ms, limit),
    ).fetchall()
    if not rows:
        return None
    number = rows[0][1]
    n = next((k for k, row in enumerate(rows) if row[1] != number), len(rows))
    names = layout.kept(connection)[number]

    def table(column: int, kind: str, width: int) -> NDArray[Any]:
        joined = b"".join(row[column] for row in rows[:n])
        return np.frombuffer(joined, dtype=kind).reshape(n, width)

    return Rows(
        layout=names,
        time_ms=np.array([row[0] for row in rows[:n]], dtype=np.int64),
        values=table(2, "<f8", len(names.series)),
        qualities=table(3, "u1", len(names.series)),
        points=table(4, "<f8", len(names.points)),
    )
