"""A long history in seconds: the same noise again and again, straight into the tables."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

from gateway.plant.site import Site
from gateway.record.opening import FILE
from gateway.record.store import open_store
from tests.record.made import START, rows

PATTERN = 1000


def bulk(folder: Path, here: Site, count: int) -> Path:
    """A history of `count` rows, one a second; the file."""
    with open_store(folder, here) as store:
        store.write([rows(here, PATTERN)])
    file = folder / FILE
    with closing(sqlite3.connect(file)) as connection, connection:
        connection.execute("PRAGMA synchronous = OFF")
        for table in ("scans", "readings"):
            pattern = connection.execute(f"SELECT * FROM {table} ORDER BY time_ms").fetchall()  # noqa: S608 - two known names
            marks = ", ".join("?" * len(pattern[0]))
            connection.executemany(
                f"INSERT OR REPLACE INTO {table} VALUES ({marks})",  # noqa: S608 - the same
                _again(pattern, count, timed=table == "scans"),
            )
    return file


def _again(
    pattern: list[tuple[object, ...]], count: int, *, timed: bool
) -> Iterator[tuple[object, ...]]:
    for k in range(count):
        now = START + k
        head = (round(now * 1000), now) if timed else (round(now * 1000),)
        yield (*head, *pattern[k % len(pattern)][len(head) :])
