"""Summaries of minutes, kept an hour a row for each series, and of hours, which lie together.

The writer adds an hour as soon as a row of a later hour is there, always from the stored rows, so
a restart in between changes nothing. A clock that was far back puts rows where others were removed
long ago: what was known of them stays. A month of one series is then a few hundred short rows of
minutes, a year a few hundred kilobytes of hours side by side, however many series the site has.
"""

from __future__ import annotations

import sqlite3

import numpy as np
from numpy.typing import NDArray

from gateway.measure.columns import Ints

from . import cursors, layout
from .summary import NO_ROWS, Summary, each_row, merge, regroup

CURSOR = "rollups"
MINUTE_MS = 60_000
HOUR_MS = 60 * MINUTE_MS
SLICE_MS = 10 * MINUTE_MS
"""Rows looked at together, so that a large site's hour need not fit in memory."""
HOURS_A_COMMIT = 6
"""A backlog is worked off in steps, so that it never holds up the rows of this second."""

RECORD = np.dtype(
    [
        ("count", "<u4"), ("mean", "<f8"), ("low", "<f8"), ("high", "<f8"),
        ("deviation", "<f4"), ("worst", "u1"),
    ]
)  # fmt: skip
"""One summary on disk. Seven digits of a deviation are enough."""


def rolled_to(connection: sqlite3.Connection) -> int | None:
    """Every hour that ends at or before this (ms) is in the rollups; None before the first."""
    cursor = cursors.get(connection, CURSOR)
    return None if cursor is None else (cursor + 1) // HOUR_MS * HOUR_MS


def roll(connection: sqlite3.Connection, newest_ms: int) -> None:
    """Add the hours that ended before the row at `newest_ms`, a few at a time."""
    start = rolled_to(connection)
    for _ in range(HOURS_A_COMMIT):
        if start is not None and start + HOUR_MS > newest_ms:
            return
        (first,) = connection.execute(
            "SELECT min(time_ms) FROM readings WHERE time_ms >= ?", (start or 0,)
        ).fetchone()
        if first is None:
            return
        start = first // HOUR_MS * HOUR_MS
        if start + HOUR_MS <= newest_ms:
            _add_hour(connection, start)
            start += HOUR_MS
        cursors.put(connection, CURSOR, start - 1)


def _add_hour(connection: sqlite3.Connection, hour_ms: int) -> None:
    hours: dict[int, Summary] = {}
    names = layout.kept(connection)
    for start in range(hour_ms, hour_ms + HOUR_MS, SLICE_MS):
        rows = connection.execute(
            "SELECT time_ms, layout, series_values, qualities FROM readings"
            " WHERE time_ms >= ? AND time_ms < ? ORDER BY time_ms",
            (start, start + SLICE_MS),
        ).fetchall()
        for number in {row[1] for row in rows}:
            part = _minutes([row for row in rows if row[1] == number], hour_ms)
            hours[number] = merge(hours[number], part) if number in hours else part
    records: dict[str, NDArray[np.void]] = {}
    for number, hour in sorted(hours.items()):
        for name, record in zip(names[number].series, _pack(hour), strict=True):
            before = records.get(name)
            records[name] = record if before is None else _both(before, record)
    if not records:
        return
    known = dict(connection.execute("SELECT name, id FROM series").fetchall())
    numbers, made = [known[name] for name in records], np.stack(list(records.values()))
    table = _fuller(made, _stored(connection, "rollups", "minutes", numbers, hour_ms, 60))
    whole = _whole_hours(table)[:, None]
    whole = _fuller(whole, _stored(connection, "hours", "summary", numbers, hour_ms, 1))
    for name, rows_of in (("rollups", table), ("hours", whole)):
        connection.executemany(
            f"INSERT OR REPLACE INTO {name} VALUES (?, ?, ?)",  # noqa: S608 - own table names
            [(k, hour_ms, one.tobytes()) for k, one in zip(numbers, rows_of, strict=True)],
        )


def _stored(
    connection: sqlite3.Connection,
    table: str,
    column: str,
    numbers: list[int],
    hour_ms: int,
    n: int,
) -> NDArray[np.void]:
    """(series, n) records of an hour as they are; NO_ROWS where there are none."""
    nothing = np.zeros(n, dtype=RECORD)
    nothing["worst"] = NO_ROWS
    question = f"SELECT {column} FROM {table} WHERE series = ? AND hour_ms = ?"  # noqa: S608 - own names
    found = [connection.execute(question, (k, hour_ms)).fetchone() for k in numbers]
    kept = [nothing if row is None else np.frombuffer(row[0], dtype=RECORD) for row in found]
    return np.stack(kept)


def _fuller(made: NDArray[np.void], kept: NDArray[np.void]) -> NDArray[np.void]:
    """Records anew, but for those that were made of more values: their rows are removed."""
    nothing = (made["worst"] == NO_ROWS) & (kept["worst"] != NO_ROWS)
    out: NDArray[np.void] = np.where(nothing | (kept["count"] > made["count"]), kept, made)
    return out


def _whole_hours(records: NDArray[np.void]) -> NDArray[np.void]:
    """(series,) hours from (series, 60) minutes."""
    whole = regroup(_summary(records.T), np.zeros(60, dtype=np.int64), 1)
    hours: NDArray[np.void] = _pack(whole)[:, 0]
    return hours


def _minutes(rows: list[tuple[int, int, bytes, bytes]], hour_ms: int) -> Summary:
    """The 60 minutes of an hour from rows of one layout."""
    time = np.array([row[0] for row in rows], dtype=np.int64)
    values = np.frombuffer(b"".join(row[2] for row in rows), dtype="<f8").reshape(len(rows), -1)
    codes = np.frombuffer(b"".join(row[3] for row in rows), dtype=np.uint8)
    return regroup(
        each_row(values, codes.reshape(len(rows), -1)), (time - hour_ms) // MINUTE_MS, 60
    )


def _pack(hour: Summary) -> NDArray[np.void]:
    """(series, 60) records."""
    records = np.empty(hour.mean.shape[::-1], dtype=RECORD)
    for name in RECORD.names or ():
        records[name] = getattr(hour, name).T
    return records


def unpack(records: NDArray[np.void]) -> Summary:
    """(n, 1) summary from (n,) records of one series."""
    return _summary(records[:, None])


def _summary(records: NDArray[np.void]) -> Summary:
    """Records of any shape, in the types that sums are made in."""
    return Summary(
        count=records["count"].astype(np.int64),
        mean=records["mean"],
        low=records["low"],
        high=records["high"],
        deviation=records["deviation"].astype(np.float64),
        worst=records["worst"],
    )


def _both(one: NDArray[np.void], other: NDArray[np.void]) -> NDArray[np.void]:
    packed: NDArray[np.void] = _pack(merge(unpack(one), unpack(other)))[0]
    return packed


def minutes(
    connection: sqlite3.Connection, series: int, start_ms: int, end_ms: int
) -> tuple[Ints, Summary]:
    """Recorded minutes of a series from start up to end: (n,) starts in ms, (n, 1) summary."""
    rows = connection.execute(
        "SELECT hour_ms, minutes FROM rollups WHERE series = ? AND hour_ms > ? AND hour_ms < ?"
        " ORDER BY hour_ms",
        (series, start_ms - HOUR_MS, end_ms),
    ).fetchall()
    records = np.frombuffer(b"".join(row[1] for row in rows), dtype=RECORD)
    starts = np.array([row[0] for row in rows], dtype=np.int64)
    time = (starts[:, None] + np.arange(60) * MINUTE_MS).reshape(-1)
    inside = slice(*np.searchsorted(time, (start_ms, end_ms)).tolist())
    time, records = time[inside], records[inside]
    there = records["worst"] != NO_ROWS
    if not there.all():
        time, records = time[there], records[there]
    return time, unpack(records)


def removed(time: Ints, seam: int, rows: Ints) -> NDArray[np.bool_]:
    """Which summaries at `time` (ms) stand for rows that are no more.

    Before `seam` all count. From there on rows speak for themselves, `rows` being their times, but
    summaries are there too after a clock was far back: those of hours without any row count.
    """
    return (time < seam) | ~np.isin(time // HOUR_MS, np.unique(rows // HOUR_MS))


def hours(
    connection: sqlite3.Connection, series: int, start_ms: int, end_ms: int
) -> tuple[Ints, Summary]:
    """Recorded hours of a series that begin from start up to end, as `minutes`."""
    rows = connection.execute(
        "SELECT hour_ms, summary FROM hours WHERE series = ? AND hour_ms >= ? AND hour_ms < ?"
        " ORDER BY hour_ms",
        (series, start_ms, end_ms),
    ).fetchall()
    records = np.frombuffer(b"".join(row[1] for row in rows), dtype=RECORD)
    return np.array([row[0] for row in rows], dtype=np.int64), unpack(records)
