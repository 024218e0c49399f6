"""What leads a file of version 2 to version 3: minutes get a deviation, hours are made of them.

Frozen with that step: nothing here may follow later changes of the rollups.
"""

from __future__ import annotations

import sqlite3

import numpy as np
from numpy.typing import NDArray

OLD = np.dtype(
    [("count", "<u4"), ("mean", "<f8"), ("low", "<f8"), ("high", "<f8"), ("worst", "u1")]
)
NEW = np.dtype(
    [
        ("count", "<u4"), ("mean", "<f8"), ("low", "<f8"), ("high", "<f8"),
        ("deviation", "<f4"), ("worst", "u1"),
    ]
)  # fmt: skip
AT_ONCE = 2_000
"""Hours of series looked at together."""


def rewrite_minutes(connection: sqlite3.Connection) -> None:
    """Give every minute a deviation, which nobody knows any more, and make its hours."""
    last = -1
    while rows := connection.execute(
        "SELECT rowid, series, hour_ms, minutes FROM rollups WHERE rowid > ?"
        " ORDER BY rowid LIMIT ?",
        (last, AT_ONCE),
    ).fetchall():
        last = rows[-1][0]
        old = np.frombuffer(b"".join(row[3] for row in rows), dtype=OLD).reshape(len(rows), 60)
        new = np.zeros(old.shape, dtype=NEW)
        for name in OLD.names or ():
            new[name] = old[name]
        new["deviation"] = np.nan
        connection.executemany(
            "UPDATE rollups SET minutes = ? WHERE rowid = ?",
            [(minutes.tobytes(), row[0]) for minutes, row in zip(new, rows, strict=True)],
        )
        connection.executemany(
            "INSERT OR REPLACE INTO hours VALUES (?, ?, ?)",
            [(row[1], row[2], h.tobytes()) for h, row in zip(_hours(new), rows, strict=True)],
        )


def _hours(minutes: NDArray[np.void]) -> NDArray[np.void]:
    """(n,) hours of (n, 60) minutes."""
    hours = np.zeros(len(minutes), dtype=NEW)
    count = minutes["count"].astype(np.int64)
    total = np.where(count > 0, minutes["mean"] * count, 0.0).sum(axis=1)
    known = count.sum(axis=1)
    hours["count"] = known
    hours["mean"] = np.where(known > 0, total / np.maximum(known, 1), np.nan)
    hours["low"] = np.fmin.reduce(minutes["low"], axis=1)
    hours["high"] = np.fmax.reduce(minutes["high"], axis=1)
    hours["deviation"] = np.nan
    # One more wraps round to 0, so that 255, no rows, loses against every quality.
    worst = np.max(minutes["worst"] + np.uint8(1), axis=1)
    hours["worst"] = worst - np.uint8(1)
    return hours
