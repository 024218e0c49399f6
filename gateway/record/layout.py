"""Which column of a stored row is what: points of a scan, series of the readings.

Series names: "transducer/<id>" (Pa), "loop/<id>/<quantity>" (Pa; output in its own unit).
"""

from __future__ import annotations

import json
import sqlite3
from dataclasses import dataclass

import numpy as np

from gateway.measure.blocks import Codes, Floats, Readings
from gateway.measure.columns import ABSENT, Columns, Ints
from gateway.measure.quality import Quality, quality_of

QUANTITIES = ("combined", "feedback", "setpoint", "output", "running")


@dataclass(frozen=True)
class Layout:
    """Column names of one version of the site file, in the order of the blobs."""

    points: tuple[str, ...]
    series: tuple[str, ...]

    def to_json(self) -> str:
        """The same names always give the same text."""
        return json.dumps({"points": self.points, "series": self.series}, separators=(",", ":"))

    @staticmethod
    def from_json(text: str) -> Layout:
        """The reverse of `to_json`."""
        names = json.loads(text)
        return Layout(tuple(names["points"]), tuple(names["series"]))


def layout_of(columns: Columns) -> Layout:
    """The layout of a site."""
    loops = tuple(f"loop/{k}/{quantity}" for quantity in QUANTITIES for k in columns.loops.ids)
    return Layout(
        points=columns.points.refs,
        series=tuple(f"transducer/{k}" for k in columns.transducers.ids) + loops,
    )


def series_of(columns: Columns, readings: Readings) -> tuple[Floats, Codes]:
    """(rows, series) values and quality codes of readings, in the order of the layout.

    A quantity that the controller reports has the quality of its point, BAD where there is none.
    """
    loops = columns.loops
    parts = [
        (readings.pressure, readings.quality),
        (readings.combined, readings.combined_quality),
        _reported(readings, readings.feedback, loops.feedback),
        _reported(readings, readings.setpoint, loops.setpoint),
        _reported(readings, readings.output, loops.output),
        _reported(readings, readings.running, loops.running),
    ]
    values = np.concatenate([value for value, _ in parts], axis=1)
    qualities = np.concatenate([quality for _, quality in parts], axis=1)
    return values, qualities


def _reported(readings: Readings, values: Floats, which: Ints) -> tuple[Floats, Codes]:
    absent = (which == ABSENT) | np.isnan(values)
    if readings.point_reasons.shape[1] == 0:
        return values, np.full(values.shape, Quality.BAD, dtype=np.uint8)
    quality = quality_of(readings.point_reasons)[:, which]
    return values, np.where(absent, np.uint8(Quality.BAD), quality).astype(np.uint8)


def keep(connection: sqlite3.Connection, layout: Layout) -> int:
    """The number of a layout in this file; written when it is new, with its series."""
    text = layout.to_json()
    connection.execute("INSERT OR IGNORE INTO layouts (columns) VALUES (?)", (text,))
    connection.executemany(
        "INSERT OR IGNORE INTO series (name) VALUES (?)", [(name,) for name in layout.series]
    )
    (number,) = connection.execute("SELECT id FROM layouts WHERE columns = ?", (text,)).fetchone()
    return int(number)


def kept(connection: sqlite3.Connection) -> dict[int, Layout]:
    """Every layout of the file by its number."""
    rows = connection.execute("SELECT id, columns FROM layouts").fetchall()
    return {number: Layout.from_json(text) for number, text in rows}
