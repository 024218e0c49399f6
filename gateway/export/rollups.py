"""Summaries of whole minutes or hours, a row each, with several columns a series.

Closed hours come from the rollups; what the store has not rolled up yet, from the rows.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence

import numpy as np

from gateway.measure.columns import Ints
from gateway.measure.quality import Quality
from gateway.plant.site import Site
from gateway.record import rollup
from gateway.record.readback import recorded
from gateway.record.summary import NO_ROWS, Summary, each_row, merge, regroup

from .order import Order
from .readings import QUALITY_WORDS
from .series import Series, series_of
from .table import Cells, Column, Ends, Slice, Table, in_unit, rows_per_slice

GRAIN_MS = {"minutes": rollup.MINUTE_MS, "hours": rollup.HOUR_MS}
MOST_BUCKETS = 1440
"""Rows in a slice at most: a day of minutes."""
ROWS_MS = rollup.HOUR_MS
"""Rows not rolled up yet are looked at an hour at a time."""
FIGURES = (
    ("mean", "mean"),
    ("low", "lowest"),
    ("high", "highest"),
    ("deviation", "standard deviation (divided by the count; empty also: not known)"),
)


def rollup_table(site: Site, order: Order) -> Table:
    """Count, mean, lowest, highest, standard deviation and worst quality of each series."""
    series = series_of(site, order)
    grain = GRAIN_MS[order.rows]
    kind = order.rows.removesuffix("s")
    columns = [Column("time", "time", "", f"start of the {kind}, UTC")]
    for one in series:
        columns.append(Column(f"{one.name} count", "count", "", f"readings of {one.name}"))
        for figure, word in FIGURES:
            about = f"{word} of: {one.about}"
            name = in_unit(f"{one.name} {figure}", one.unit)
            columns.append(Column(name, "number", one.unit, about))
        columns.append(Column(f"{one.name} quality", "text", "", f"worst quality of {one.name}"))

    def ends(connection: sqlite3.Connection) -> Ends:
        return _ends(connection, [number for number in _numbers(connection, series) if number])

    def slices(connection: sqlite3.Connection) -> Iterator[Slice]:
        known = ends(connection)
        if known is None:
            return
        limit = min(MOST_BUCKETS, rows_per_slice(len(columns)))
        first = int(max(order.start, known[0]) * 1000 // grain) * grain
        last = -int(-min(order.end, known[1] + 0.001) * 1000 // grain) * grain
        for start in range(first, last, limit * grain):
            found = _window(connection, series, start, min(last, start + limit * grain), grain)
            if found is not None:
                yield found

    return Table(tuple(columns), slices, ends)


def _numbers(connection: sqlite3.Connection, series: Sequence[Series]) -> list[int | None]:
    """The number of each series in this file, None for one never recorded."""
    known: dict[str, int] = dict(connection.execute("SELECT name, id FROM series").fetchall())
    return [known.get(one.stored) for one in series]


def _ends(connection: sqlite3.Connection, numbers: Sequence[int]) -> Ends:
    """Seconds since 1970 of the first and last thing that is known of any of them."""
    times: list[int] = []
    for table in ("rollups", "hours"):
        for number in numbers:
            times += connection.execute(
                f"SELECT min(hour_ms), max(hour_ms) FROM {table} WHERE series = ?",  # noqa: S608 - own table names
                (number,),
            ).fetchone()
    times += connection.execute("SELECT min(time_ms), max(time_ms) FROM readings").fetchone()
    times = [time for time in times if time is not None]
    return (min(times) / 1000, max(times) / 1000) if times else None


def _window(
    connection: sqlite3.Connection, series: Sequence[Series], first: int, last: int, grain: int
) -> Slice | None:
    """The rows of one window of time, None when nothing was recorded in it; ms since 1970."""
    buckets = (last - first) // grain
    connection.execute("BEGIN")  # one state of the file for all questions
    try:
        seam = max(first, min(last, rollup.rolled_to(connection) or first))
        names, times = [one.stored for one in series], np.zeros(0, dtype=np.int64)
        both = regroup(_nothing(len(series)), times, buckets)
        for start in range(seam, last, ROWS_MS):
            rows = recorded(connection, start, min(last, start + ROWS_MS) - 1, names)
            parts = each_row(rows.values, rows.qualities)
            both = merge(both, regroup(parts, (rows.time_ms - first) // grain, buckets))
            times = np.append(times, np.unique(rows.time_ms // rollup.HOUR_MS) * rollup.HOUR_MS)
        closed = [
            _closed(connection, number, (first, last, grain), seam, times)
            for number in _numbers(connection, series)
        ]
        both = merge(_side_by_side(closed), both)
    finally:
        connection.execute("COMMIT")
    there = np.flatnonzero((both.worst != NO_ROWS).any(axis=1))
    return _slice(series, both, there, first, grain) if len(there) else None


def _closed(
    connection: sqlite3.Connection,
    number: int | None,
    span: tuple[int, int, int],
    seam: int,
    rows: Ints,
) -> Summary:
    """(buckets, 1) of what stands in the rollups; span: from, to, and width of a bucket in ms."""
    first, last, grain = span
    time, parts = np.zeros(0, dtype=np.int64), _nothing(1)
    if number is not None:
        kept = rollup.minutes if grain == rollup.MINUTE_MS else rollup.hours
        time, parts = kept(connection, number, first, last)
    there = rollup.removed(time, seam, rows)
    return regroup(parts.rows(there), (time[there] - first) // grain, (last - first) // grain)


def _nothing(series: int) -> Summary:
    return each_row(np.zeros((0, series)), np.zeros((0, series), dtype=np.uint8))


def _side_by_side(columns: Sequence[Summary]) -> Summary:
    """(buckets, S) from S summaries of one series each."""
    names = Summary.__dataclass_fields__
    return Summary(*(np.concatenate([getattr(c, n) for c in columns], axis=1) for n in names))


def _slice(series: Sequence[Series], both: Summary, there: Ints, first: int, grain: int) -> Slice:
    time = (first + there * grain) / 1000.0
    worst = np.where(both.worst == NO_ROWS, np.uint8(Quality.BAD), both.worst)[there]
    cells: list[Cells] = [time]
    for k, one in enumerate(series):
        cells.append(both.count[there, k])
        cells += [getattr(both, figure)[there, k] / one.factor for figure, _ in FIGURES]
        cells.append([QUALITY_WORDS[code] for code in worst[:, k].tolist()])
    return Slice(tuple(cells))
