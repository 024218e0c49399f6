"""Readings as they were recorded, for whoever wants the rows themselves."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from gateway.measure.blocks import Codes, Floats
from gateway.measure.columns import Ints
from gateway.measure.quality import Quality

from . import layout


@dataclass(frozen=True)
class Recorded:
    """(n,) times in ms since 1970; (n, S) values (Pa; output: its own unit) and quality codes.

    NaN and BAD where a series was not recorded.
    """

    time_ms: Ints
    values: Floats
    qualities: Codes


def recorded(
    connection: sqlite3.Connection, first_ms: int, last_ms: int, series: Sequence[str]
) -> Recorded:
    """Rows from first_ms to last_ms (both included) with the series asked for, in one question."""
    rows = connection.execute(
        "SELECT time_ms, layout, series_values, qualities FROM readings"
        " WHERE time_ms >= ? AND time_ms <= ? ORDER BY time_ms",
        (first_ms, last_ms),
    ).fetchall()
    names = layout.kept(connection)
    values = np.full((len(rows), len(series)), np.nan)
    qualities = np.full(values.shape, Quality.BAD, dtype=np.uint8)
    for number in {row[1] for row in rows}:
        which = np.array([k for k, row in enumerate(rows) if row[1] == number])
        there = {name: k for k, name in enumerate(names[number].series)}
        shape = (len(which), len(there))
        stored = np.frombuffer(b"".join(rows[k][2] for k in which), dtype="<f8").reshape(shape)
        codes = np.frombuffer(b"".join(rows[k][3] for k in which), dtype=np.uint8).reshape(shape)
        for column, name in enumerate(series):
            if name in there:
                values[which, column] = stored[:, there[name]]
                qualities[which, column] = codes[:, there[name]]
    return Recorded(np.array([row[0] for row in rows], dtype=np.int64), values, qualities)
