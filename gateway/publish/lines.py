"""Line protocol text for the time-series server: numbers only, times in ms, NaN left out.

Written by hand and checked by tests, because a server may accept a malformed line silently.
"""

from __future__ import annotations

from math import isfinite

import numpy as np

from gateway.measure import scale
from gateway.measure.blocks import Floats
from gateway.measure.columns import Columns
from gateway.record.history import Rows

Field = tuple[str, list[float]]


def escaped(tag: str) -> str:
    """A tag value as line protocol wants it; a line break, which it cannot say, as a space."""
    text = " ".join(tag.splitlines())
    for character in ("\\", ",", "=", " "):
        text = text.replace(character, "\\" + character)
    return text


def lines(site_id: str, rows: Rows, columns: Columns) -> list[str]:
    """Lines of stored rows in rising time: one a transducer and one a loop for each row.

    `transducer`: pressure (Pa), counts, electrical (mA or V), quality. `loop`: combined,
    feedback, setpoint (Pa), output (its own unit), running, quality. Quality: 0 good, 1
    uncertain, 2 bad, always there, so that a gap has a reason. Counts and electrical follow the
    transducer's present entry in the site file.
    """
    raw = _raw_fields(rows, columns)
    times = rows.time_ms.tolist()
    groups: dict[tuple[str, str], list[Field]] = {}
    quality: dict[tuple[str, str], list[int]] = {}
    for column, name in enumerate(rows.layout.series):
        kind, subject, *quantity = name.split("/")
        field = quantity[0] if quantity else "pressure"
        groups.setdefault((kind, subject), []).append((field, rows.values[:, column].tolist()))
        if field in {"pressure", "combined"}:
            quality[kind, subject] = rows.qualities[:, column].tolist()
    heads = {key: f"{key[0]},site={escaped(site_id)},{key[0]}={escaped(key[1])}" for key in groups}
    return [
        f"{heads[key]} {_fields(fields + raw.get(key, []), row)}quality={quality[key][row]}i {time}"
        for row, time in enumerate(times)
        for key, fields in groups.items()
    ]


def _fields(fields: list[Field], row: int) -> str:
    return "".join(f"{name}={v[row]!r}," for name, v in fields if isfinite(v[row]))


def _raw_fields(rows: Rows, columns: Columns) -> dict[tuple[str, str], list[Field]]:
    """Counts and electrical signal of the transducers, from the raw points of the rows."""
    place = {name: k for k, name in enumerate(rows.layout.points)}
    transducers = columns.transducers
    counts: Floats = np.full((len(rows), len(transducers.ids)), np.nan)
    for column, point in enumerate(transducers.counts.tolist()):
        at = place.get(columns.points.refs[point])
        if at is not None:
            counts[:, column] = rows.points[:, at]
    signal = scale.electrical(counts, transducers)
    return {
        ("transducer", name): [
            ("counts", counts[:, column].tolist()),
            ("electrical", signal[:, column].tolist()),
        ]
        for column, name in enumerate(transducers.ids)
    }
