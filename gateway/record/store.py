"""The one writer of the history file."""

from __future__ import annotations

import asyncio
import sqlite3
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager, suppress
from itertools import pairwise
from pathlib import Path
from typing import Concatenate, ParamSpec, TypeVar

import structlog

from gateway.errors import DiskError
from gateway.measure.blocks import Block, Readings
from gateway.measure.columns import columns
from gateway.plant.site import Site

from . import cursors, journal, layout, opening, rollup

P = ParamSpec("P")
R = TypeVar("R")
Row = tuple[Block, Readings]
ScanRow = tuple[int, float, int, bytes, bytes]
ReadingRow = tuple[int, int, bytes, bytes]

log = structlog.get_logger(__name__)


class Store:
    """Writes rows, what happened and whatever else is handed to it, each call one transaction.

    `file` is for readers (`history.reader`). Any thread may call; calls take turns. A disk that
    takes nothing does not keep it from being made: it is opened as soon as that can be. A file
    that turns out to be damaged is set aside, and a fresh one begun.
    """

    def __init__(self, folder: Path, site: Site, *, events: bool) -> None:
        self.file = folder / opening.FILE
        self.aside = ""
        """What the latest damaged file is called now; empty while there was none."""
        self.damaged = False
        """Whether a reader has met a damaged page: the next start will set the file aside."""
        self.newest_ms: int | None = None
        """Time of the newest row when the file was opened; ms."""
        self._folder, self._events = folder, events
        self._columns = columns(site)
        self._lock = threading.Lock()
        self._worker = ThreadPoolExecutor(1, thread_name_prefix="store")
        self._held = ExitStack()
        self._connection: sqlite3.Connection | None = None
        self._layout, self._highest = 0, -1
        self._newest: int | None = None
        with self._lock:
            try:
                self._open()
            except DiskError as error:
                log.warning("watching without history: it cannot be opened", reason=str(error))

    def write(self, rows: Sequence[Row], happened: Sequence[journal.Happened] = ()) -> None:
        """Add rows and what happened in them, in order, in one transaction.

        Nothing is written over: a row whose millisecond is taken gets the next free one. What
        happened survives a power failure from here on, rows the failure of the process. StoreError
        when the disk does not take them; ValueError when a block is not of this site.
        """
        if rows or happened:
            level = "FULL" if happened else "NORMAL"
            times = self._transact(level, self._add, rows, happened)
            if times:
                self._newest = times[-1]
                self._highest = max(self._highest, *times)

    @property
    def upto_ms(self) -> int | None:
        """Time of the row written last; ms. Rows beyond it are of a clock that was ahead."""
        return self._newest

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
        with self._lock:
            self._let_go()

    def _open(self) -> sqlite3.Connection:
        """The connection, made when there is none; a file found damaged is set aside once."""
        if self._connection is None:
            try:
                self._connection = self._opened()
            except sqlite3.DatabaseError as error:
                if not opening.is_damage(error):
                    raise opening.told(self.file, error) from error
                self._mark()
                try:
                    self._connection = self._opened()
                except sqlite3.DatabaseError as again:
                    raise opening.told(self.file, again) from again
        return self._connection

    def _opened(self) -> sqlite3.Connection:
        with ExitStack() as held:
            held.enter_context(opening.locked_folder(self._folder))
            connection, aside = opening.connect(self._folder)
            held.callback(connection.close)
            mine = layout.layout_of(self._columns)
            self._layout = _within(connection, "FULL", layout.keep, mine)
            self._newest = self.newest_ms = _within(connection, "FULL", _newest)
            self._highest = -1 if self._newest is None else self._newest
            if aside:
                self.aside = aside
            self._held = held.pop_all()
        return connection

    def _let_go(self) -> None:
        self._connection = None
        self._held.close()

    def _mark(self) -> None:
        """Have the file set aside by whoever opens it next."""
        with suppress(OSError):  # of a disk that takes nothing: met again then
            self.file.with_name(opening.DAMAGED).touch()

    def _transact(
        self,
        level: str,
        work: Callable[Concatenate[sqlite3.Connection, P], R],
        *args: P.args,
        **kw: P.kwargs,
    ) -> R:
        with self._lock:
            connection = self._open()
            try:
                result = _within(connection, level, work, *args, **kw)
            except sqlite3.DatabaseError as error:
                if isinstance(error, sqlite3.IntegrityError | sqlite3.ProgrammingError):
                    raise  # our own mistake, not the disk's
                if opening.is_damage(error):
                    self._mark()
                if not opening.is_passing(error):
                    self._let_go()  # the disk may be another one when it is back
                raise opening.told(self.file, error) from error
            self.damaged = self.file.with_name(opening.DAMAGED).exists()
        return result

    def _add(
        self,
        connection: sqlite3.Connection,
        rows: Sequence[Row],
        happened: Sequence[journal.Happened],
    ) -> list[int]:
        """Write them; times of the rows, ms."""
        scans, readings = [], []
        for block, means in rows:
            scans += self._scans(block)
            readings += self._readings(means)
        times = [scan[0] for scan in scans]
        back = _stepped_back(self._newest, times)
        if back is not None:
            cursors.rewind(connection, back - 1)
        if times and min(times) <= self._highest:
            scans, readings = _in_free_places(connection, scans, readings)
            times = [scan[0] for scan in scans]
        connection.executemany("INSERT INTO scans VALUES (?, ?, ?, ?, ?)", scans)
        connection.executemany("INSERT INTO readings VALUES (?, ?, ?, ?)", readings)
        journal.append_all(connection, happened, outbox=self._events)
        if times:
            rollup.roll(connection, times[-1])
        return times

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


def _within(
    connection: sqlite3.Connection,
    level: str,
    work: Callable[Concatenate[sqlite3.Connection, P], R],
    *args: P.args,
    **kw: P.kwargs,
) -> R:
    """`work(connection, ...)` in one transaction; level: what it survives (PRAGMA synchronous)."""
    try:
        connection.execute(f"PRAGMA synchronous = {level}")
        connection.execute("BEGIN IMMEDIATE")
        result = work(connection, *args, **kw)
        connection.execute("COMMIT")
    finally:
        with suppress(sqlite3.Error):
            if connection.in_transaction:
                connection.rollback()
    return result


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
    when the folder or the file cannot be used, but not for the sake of the disk; a damaged file
    is kept aside.
    """
    store = Store(folder, site, events=events)
    try:
        yield store
    finally:
        store.close()
