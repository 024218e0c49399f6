"""Days of rows as Parquet files, before they are removed from the history: for `retention`.

A file holds one UTC day with every point that was recorded in it, in the form that `replay` takes.
It gets its name when it is whole and on disk, and none is ever written over: whoever moves files
elsewhere loses nothing. What was killed between writing and removing finds the day's rows in the
file, and only removes them.
"""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Iterator
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from gateway.errors import ArchiveError, StoreError
from gateway.measure.columns import Ints
from gateway.plant.site import Site
from gateway.record import layout
from gateway.record.opening import reader
from gateway.replay.header import TIME

from .about import about
from .order import Order
from .parquettable import check_parquet, column_of, write_parquet
from .scans import points_table

FOLDER = "archive"
PART = ".part"


class Archive:
    """Of one history file, beside it; a `retention.Archive`. StartError without the extra."""

    def __init__(self, store: Path, site: Site) -> None:
        check_parquet("LOOPWITNESS_ARCHIVE")
        self._store, self._site = store, site
        self._folder = store.parent / FOLDER

    def __call__(self, start_ms: int, end_ms: int) -> Ints:
        """Times (ms) of the rows from start up to end, each now safe in a file of the archive.

        start_ms: a day's first millisecond. ArchiveError when they cannot be kept.
        """
        try:
            with reader(self._store) as connection:
                rows = connection.execute(
                    "SELECT time_ms, layout FROM scans WHERE time_ms >= ? AND time_ms < ?"
                    " ORDER BY time_ms",
                    (start_ms, end_ms),
                ).fetchall()
                times = np.array([row[0] for row in rows], dtype=np.int64)
                day = f"{datetime.fromtimestamp(start_ms / 1000, UTC):%Y-%m-%d}"
                if not np.isin(times, self._kept(day)).all():
                    points = _points(connection, dict.fromkeys(row[1] for row in rows))
                    self._write(connection, day, points, (start_ms / 1000, end_ms / 1000))
            missing = ~np.isin(times, self._kept(day))
        except (OSError, StoreError, sqlite3.Error) as error:
            words = getattr(error, "strerror", None) or str(error)
            raise ArchiveError(f"{self._folder}: {words}") from error
        if missing.any():
            raise ArchiveError(f"{self._folder}: {missing.sum()} rows of {day} did not arrive")
        return times

    def _kept(self, day: str) -> Ints:
        """Times (ms) in the files of a day; one that cannot be read counts as nothing."""
        found = [np.zeros(0)]
        for file in self._files(day):
            with suppress(OSError, ValueError):
                found.append(column_of(file, TIME))
        return np.round(np.concatenate(found) * 1000).astype(np.int64)

    def _files(self, day: str) -> Iterator[Path]:
        if self._folder.is_dir():
            yield from sorted(self._folder.glob(f"{day}*.parquet"))

    def _write(
        self,
        connection: sqlite3.Connection,
        day: str,
        points: tuple[str, ...],
        span: tuple[float, float],
    ) -> None:
        site = self._site
        self._folder.mkdir(exist_ok=True)
        file = self._free(day)
        part = file.with_name(file.name + PART)
        table = points_table(site, points, *span)
        order = Order("scans", tuple(site.transducers), tuple(site.loops), *span)
        try:
            with part.open("wb") as out:
                known = about(site, order, table, time.time())
                write_parquet(out, table, table.slices(connection), known)
                out.flush()
                os.fsync(out.fileno())
            part.rename(file)
        finally:
            part.unlink(missing_ok=True)
        folder = os.open(self._folder, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)

    def _free(self, day: str) -> Path:
        file, number = self._folder / f"{day}.parquet", 1
        while file.exists():
            number += 1
            file = self._folder / f"{day}-{number}.parquet"
        return file


def _points(connection: sqlite3.Connection, numbers: dict[int, None]) -> tuple[str, ...]:
    """Every point of some layouts, those of a controller side by side."""
    kept = layout.kept(connection)
    found: dict[str, dict[str, None]] = {}
    for number in numbers:
        for ref in kept[number].points:
            found.setdefault(ref.partition(".")[0], {})[ref] = None
    return tuple(ref for refs in found.values() for ref in refs)
