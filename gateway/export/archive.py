"""Days of rows as Parquet files, before they are removed from the history: for `retention`.

A file holds one UTC day with every point that was recorded in it, in the form that `replay` takes.
It gets its name when it is whole and on disk, and none is ever written over: whoever moves files
elsewhere loses nothing. What was killed between writing and removing finds the day's rows in the
file, and only removes them.
"""

from __future__ import annotations

import asyncio
import os
import sqlite3
import sys
import time
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import IO

import numpy as np
from pydantic import BaseModel

from gateway.errors import ArchiveError, StoreError
from gateway.measure.columns import Ints
from gateway.plant.site import Site
from gateway.record import layout
from gateway.record.opening import reader
from gateway.replay.archived import FOLDER
from gateway.replay.header import TIME

from .about import about
from .order import Order
from .parquettable import check_parquet, column_of, write_parquet
from .scans import points_table

PART = ".part"
NICE = 10
"""Lets the gateway go first."""


class Job(BaseModel):
    """What the process that writes a file is told: points, from start up to end (s since 1970)."""

    site: Site
    store: Path
    points: tuple[str, ...]
    start: float
    end: float


@dataclass(frozen=True)
class _Day:
    """Rows of a day in the history; missing: how many of them are in no file yet."""

    day: str
    times: Ints
    points: tuple[str, ...]
    missing: int


class Archive:
    """Of one history file, beside it; a `retention.Archive`. StartError without the extra."""

    def __init__(self, store: Path, site: Site) -> None:
        check_parquet("LOOPWITNESS_ARCHIVE")
        self._store, self._site = store, site
        self._folder = store.parent / FOLDER

    async def __call__(self, start_ms: int, end_ms: int) -> Ints:
        """Times (ms) of the rows from start up to end, each now safe in a file of the archive.

        start_ms: a day's first millisecond. ArchiveError when they cannot be kept.
        """
        try:
            before = await asyncio.to_thread(self._look, start_ms, end_ms)
            if not before.missing:
                return before.times
            await self._write(before, start_ms / 1000, end_ms / 1000)
            after = await asyncio.to_thread(self._look, start_ms, end_ms)
        except (OSError, StoreError, sqlite3.Error) as error:
            words = getattr(error, "strerror", None) or str(error)
            raise ArchiveError(f"{self._folder}: {words}") from error
        if after.missing:
            rows = f"{after.missing} rows of {after.day}"
            raise ArchiveError(f"{self._folder}: {rows} did not arrive")
        return after.times

    def _look(self, start_ms: int, end_ms: int) -> _Day:
        day = f"{datetime.fromtimestamp(start_ms / 1000, UTC):%Y-%m-%d}"
        with reader(self._store) as connection:
            rows = connection.execute(
                "SELECT time_ms, layout FROM scans WHERE time_ms >= ? AND time_ms < ?"
                " ORDER BY time_ms",
                (start_ms, end_ms),
            ).fetchall()
            points = _points(connection, dict.fromkeys(row[1] for row in rows))
        times = np.array([row[0] for row in rows], dtype=np.int64)
        missing = int((~np.isin(times, self._kept(day))).sum())
        return _Day(day, times, points, missing)

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

    async def _write(self, day: _Day, start: float, end: float) -> None:
        self._folder.mkdir(exist_ok=True)
        file = self._free(day.day)
        part = file.with_name(file.name + PART)
        # Of a gateway that was killed; its process may still write there, to nobody.
        part.unlink(missing_ok=True)
        job = Job(site=self._site, store=self._store, points=day.points, start=start, end=end)
        try:
            with part.open("xb") as out:
                await _in_a_process(job, out)
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


async def _in_a_process(job: Job, out: IO[bytes]) -> None:
    """Do the job in a process of its own, which leaves the rows of this second their time."""
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", __spec__.name, stdin=asyncio.subprocess.PIPE, stdout=out,
        stderr=asyncio.subprocess.PIPE,
    )  # fmt: skip
    try:
        _, said = await process.communicate(job.model_dump_json().encode())
    finally:
        if process.returncode is None:
            process.kill()
            await process.wait()
    if process.returncode != 0:
        words = said.decode(errors="replace").strip().splitlines() or ["no word"]
        raise OSError(f"exit code {process.returncode}: {words[-1]}")


def main() -> int:
    """The process: a job on standard input, a Parquet file on output; the exit code."""
    with suppress(OSError):
        os.nice(NICE)
    job = Job.model_validate_json(sys.stdin.buffer.read())
    table = points_table(job.site, job.points, job.start, job.end)
    whole = tuple(job.site.transducers), tuple(job.site.loops)
    known = about(job.site, Order("scans", *whole, job.start, job.end), table, time.time())
    try:
        with reader(job.store) as connection:
            write_parquet(sys.stdout.buffer, table, table.slices(connection), known)
        sys.stdout.buffer.flush()
    except (OSError, StoreError, sqlite3.Error) as error:
        sys.stderr.write(f"{getattr(error, 'strerror', None) or error}\n")
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
