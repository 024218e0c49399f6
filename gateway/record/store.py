"""The one writer of the history file."""

from __future__ import annotations

import asyncio
import sqlite3
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path
from typing import Concatenate, ParamSpec, TypeVar

from gateway.alarm.transition import Transition
from gateway.diagnose.findings import Finding
from gateway.errors import StoreError
from gateway.measure.blocks import Block, Readings
from gateway.measure.columns import columns
from gateway.plant.site import Site

from . import cursors, journal, layout, opening, rollup

P = ParamSpec("P")
R = TypeVar("R")
Row = tuple[Block, Readings]
ScanRow = tuple[int, float, int, bytes, bytes]
ReadingRow = tuple[int, int, bytes, bytes]


class Store:
    """Writes rows, what happened and whatever else is handed to it, each call one transaction.

    `file` is for readers (`history.reader`). Any thread may call; calls take turns.
    """

    def __init__(
        self, file: Path, connection: sqlite3.Connection, site: Site, *, events: bool
    ) -> None:
        self.file = file
        self._connection = connection
        self._events = events
        self._columns = columns(site)
        self._lock = threading.Lock()
        self._worker = ThreadPoolExecutor(1, thread_name_prefix="store")
        self._layout = self.do(layout.keep, layout.layout_of(self._columns))
        self._newest = self.newest_ms = self.do(_newest)
        """Time of the row written last, and of the newest when the file was opened; ms."""
        self._highest = -1 if self._newest is None else self._newest

    def write(self, rows: Sequence[Row], happened: Sequence[Finding | Transition] = ()) -> None:
        """Add rows and what happened in them, in order, in one transaction.

        Nothing is written over: a row whose millisecond is taken gets the next free one. What
        happened survives a power failure from here on, rows the failure of the process. StoreError
        when the disk does not take them; ValueError when a block is not of this site.
        """
        scans, readings = [], []
        for block, means in rows:
            scans += self._scans(block)
            readings += self._readings(means)
        if scans or happened:
            level = "FULL" if happened else "NORMAL"
            self._transact(level, self._add, scans, readings, happened)
        if scans:
            self._newest = scans[-1][0]
            self._highest = max(self._highest, *(scan[0] for scan in scans))

    def do(
        self, work: Callable[Concatenate[sqlite3.Connection, P], R], *args: P.args, **kw: P.kwargs
    ) -> R:
        """`work(connection, ...)` in one transaction that survives a power failure.

        StoreError when the disk does not take it.
        """
        return self._transact("FULL", work, *args, **kw)

    async def ask(
        self, work: Callable[Concatenate[sqlite3.Connection, P], R], *args: P.args, **kw: P.kwargs
    ) -> R:
        """As `do`, in the store's own thread."""
        return await self.apart(lambda: self.do(work, *args, **kw))

    async def apart(self, work: Callable[P, R], *args: P.args, **kw: P.kwargs) -> R:
        """Any call in the store's own thread, one after the other."""
        loop = asyncio.get_running_loop()
        return await loop.run_in_executor(self._worker, lambda: work(*args, **kw))

    def close(self) -> None:
        """Wait for what is being written, then let go of the file."""
        self._worker.shutdown()
        self._connection.close()

    def _transact(
        self,
        level: str,
        work: Callable[Concatenate[sqlite3.Connection, P], R],
        *args: P.args,
        **kw: P.kwargs,
    ) -> R:
        with self._lock:
            try:
                self._connection.execute(f"PRAGMA synchronous = {level}")
                self._connection.execute("BEGIN IMMEDIATE")
                result = work(self._connection, *args, **kw)
                self._connection.execute("COMMIT")
            except sqlite3.DatabaseError as error:
                if isinstance(error, sqlite3.IntegrityError | sqlite3.ProgrammingError):
                    raise  # our own mistake, not the disk's
                if opening.is_damage(error):
                    self.file.with_name(opening.DAMAGED).touch()
                raise StoreError(f"{self.file}: {error}") from error
            finally:
                if self._connection.in_transaction:
                    self._connection.rollback()
        return result

    def _add(
        self,
        connection: sqlite3.Connection,
        scans: list[ScanRow],
        readings: list[ReadingRow],
        happened: Sequence[Finding | Transition],
    ) -> None:
        back = _stepped_back(self._newest, [scan[0] for scan in scans])
        if back is not None:
            cursors.rewind(connection, back - 1)
        if scans and min(scans)[0] <= self._highest:
            scans, readings = _in_free_places(connection, scans, readings)
        connection.executemany("INSERT INTO scans VALUES (?, ?, ?, ?, ?)", scans)
        connection.executemany("INSERT INTO readings VALUES (?, ?, ?, ?)", readings)
        journal.append_all(connection, happened, outbox=self._events)
        if scans:
            rollup.roll(connection, scans[-1][0])

    def _scans(self, block: Block) -> list[ScanRow]:
        wanted = len(self._columns.points.refs)
        if block.values.shape[1] != wanted:
            raise ValueError(f"block of {block.values.shape[1]} points: the site has {wanted}")
        values = block.values.astype("<f8", copy=False)
        return [
            (
                round(time * 1000),
                time,
                self._layout,
                values[k].tobytes(),
                block.reasons[k].tobytes(),
            )
            for k, time in enumerate(block.time.tolist())
        ]

    def _readings(self, readings: Readings) -> list[ReadingRow]:
        values, qualities = layout.series_of(self._columns, readings)
        values = values.astype("<f8", copy=False)
        return [
            (round(time * 1000), self._layout, values[k].tobytes(), qualities[k].tobytes())
            for k, time in enumerate(readings.time.tolist())
        ]


def _stepped_back(newest: int | None, times: list[int]) -> int | None:
    """The earliest time (ms) that is not later than the one written before it."""
    before = [newest if newest is not None else -1, *times]
    late = [now for last, now in pairwise(before) if now <= last]
    return min(late, default=None)


def _in_free_places(
    connection: sqlite3.Connection, scans: Sequence[ScanRow], readings: Sequence[ReadingRow]
) -> tuple[list[ScanRow], list[ReadingRow]]:
    """The same rows, each at the next millisecond that nothing else has.

    They lie among rows of the file: the clock was far back when the gateway started.
    """
    taken: dict[int, None] = {}
    for scan in scans:
        place = scan[0]
        while place in taken or _is_there(connection, place):
            place += 1
        taken[place] = None
    moved = list(zip(taken, scans, readings, strict=True))
    return (
        [(k, s[1] if k == s[0] else k / 1000, *s[2:]) for k, s, _ in moved],
        [(k, *r[1:]) for k, _, r in moved],
    )


def _is_there(connection: sqlite3.Connection, time_ms: int) -> bool:
    found = connection.execute("SELECT 1 FROM scans WHERE time_ms = ?", (time_ms,)).fetchone()
    return found is not None


def _newest(connection: sqlite3.Connection) -> int | None:
    (time_ms,) = connection.execute("SELECT max(time_ms) FROM scans").fetchone()
    return None if time_ms is None else int(time_ms)


@contextmanager
def open_store(folder: Path, site: Site, *, events: bool = True) -> Iterator[Store]:
    """The store in `folder`, which is made when missing; closed at the end.

    `events`: what happened goes into the outbox as well (there is a broker to take it). StoreError
    when the folder or the file cannot be used; a damaged file is kept aside.
    """
    with opening.locked_folder(folder):
        connection = opening.connect(folder)
        try:
            store = Store(folder / opening.FILE, connection, site, events=events)
        except BaseException:
            connection.close()
            raise
        try:
            yield store
        finally:
            store.close()
