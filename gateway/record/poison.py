"""Records that a receiver refused for good, kept aside so that the rest can go on."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable

KEPT = 10_000
"""Refused records kept for each receiver; the oldest go first."""


def add(connection: sqlite3.Connection, sink: str, refused: Iterable[tuple[int, str, str]]) -> None:
    """Set records aside: (time_ms, record, reason) each."""
    connection.executemany(
        "INSERT INTO poison (sink, time_ms, record, reason) VALUES (?, ?, ?, ?)",
        [(sink, *one) for one in refused],
    )
    connection.execute(
        "DELETE FROM poison WHERE sink = ? AND id <= ("
        " SELECT id FROM poison WHERE sink = ? ORDER BY id DESC LIMIT 1 OFFSET ?)",
        (sink, sink, KEPT),
    )


def count(connection: sqlite3.Connection, sink: str) -> int:
    """How many records of a receiver are set aside."""
    (number,) = connection.execute("SELECT count(*) FROM poison WHERE sink = ?", (sink,)).fetchone()
    return int(number)
