"""The read side of rows: recorded blocks for replay, rows for the time-series server.

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
from gateway.measure.quality import Reason

from . import layout
from .opening import reader

__all__ = ["NEVER_MS", "Rows", "raw_blocks", "reader", "rows_after"]

NEVER_MS = 2**62
"""Later than any row."""


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


def rows_after(
    connection: sqlite3.Connection, after_ms: int, limit: int, upto_ms: int = NEVER_MS
) -> Rows | None:
    """The next rows after a time, at most `limit`, as far as they share a layout; None at the end.

    upto_ms: where the end is. ms since 1970.
    """
    rows = connection.execute(
        "SELECT time_ms, readings.layout, series_values, qualities, point_values"
        " FROM readings JOIN scans USING (time_ms)"
        " WHERE time_ms > ? AND time_ms <= ? ORDER BY time_ms LIMIT ?",
        (after_ms, upto_ms, limit),
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
