"""A disk that takes nothing, fails, hangs or hands back rubbish; with a real one see the drills."""

from __future__ import annotations

import asyncio
import errno
import os
import shutil
import sqlite3
import time
from collections import namedtuple
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import structlog

from gateway.alarm.own import ASIDE, HISTORY
from gateway.errors import DiskError, StoreError
from gateway.live import ClockState, SinkState
from gateway.record import history, opening, recorder
from gateway.record import store as store_module
from gateway.record.backlog import Scan
from gateway.record.recorder import Queue, record
from gateway.record.store import Store, open_store
from gateway.record.troubles import TOLD_S, Troubles
from gateway.web.gate import local_token
from tests.record.made import START, plant, rows

pytestmark = pytest.mark.slow

HERE = plant()


def count(store: Store) -> int:
    (number,) = store.do(lambda c: c.execute("SELECT count(*) FROM scans").fetchone())
    return int(number)


async def until(test: Callable[[], Any]) -> None:
    async with asyncio.timeout(30):
        while not test():  # noqa: ASYNC110 - the state is a plain dictionary
            await asyncio.sleep(0.01)


class Disk:
    """Takes nothing while `error` is set; the open calls and SQLite's."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.number: int | None = None
        self.code: int | None = None
        real_open, real_within = os.open, store_module._within

        def opened(*args: Any, **kw: Any) -> int:
            if self.number is not None:
                raise OSError(self.number, "No such luck")
            return int(real_open(*args, **kw))

        def within(*args: Any, **kw: Any) -> Any:
            if self.code is not None:
                error = sqlite3.OperationalError("disk I/O error")
                error.sqlite_errorcode = self.code
                raise error
            return real_within(*args, **kw)

        monkeypatch.setattr("gateway.record.opening.os.open", opened)
        monkeypatch.setattr(store_module, "_within", within)


@pytest.fixture
def disk(monkeypatch: pytest.MonkeyPatch) -> Disk:
    return Disk(monkeypatch)


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EROFS, errno.EIO, errno.EDQUOT])
def test_a_disk_that_takes_nothing_at_the_start_is_tried_again(
    tmp_path: Path, disk: Disk, number: int
) -> None:
    disk.number = number
    with open_store(tmp_path, HERE) as store:
        with pytest.raises(DiskError, match="No such luck"):
            store.write([rows(HERE, 1)])
        disk.number = None
        store.write([rows(HERE, 1)])
        assert count(store) == 1


def test_a_full_disk_at_the_start(tmp_path: Path, disk: Disk) -> None:
    disk.code = sqlite3.SQLITE_FULL
    with open_store(tmp_path, HERE) as store:
        disk.code = None
        store.write([rows(HERE, 1)])
        assert count(store) == 1


def test_a_folder_that_is_not_ours_is_no_matter_of_the_disk(tmp_path: Path, disk: Disk) -> None:
    disk.number = errno.EACCES
    with pytest.raises(StoreError, match="allowed: a folder that this user may write to"):
        Store(tmp_path, HERE, events=True)


@pytest.mark.parametrize("code", [sqlite3.SQLITE_IOERR, sqlite3.SQLITE_READONLY])
def test_after_an_error_of_the_disk_the_file_is_opened_again(
    tmp_path: Path, disk: Disk, code: int
) -> None:
    """A disk that was pulled out and is back: what was open leads nowhere."""
    with open_store(tmp_path, HERE) as store:
        store.write([rows(HERE, 1)])
        before = store._connection
        disk.code = code
        with pytest.raises(StoreError):
            store.write([rows(HERE, 1, start=START + 1)])
        disk.code = None
        store.write([rows(HERE, 1, start=START + 1)])
        assert store._connection is not before
        assert count(store) == 2
        disk.code = sqlite3.SQLITE_FULL
        kept = store._connection
        with pytest.raises(DiskError):
            store.write([rows(HERE, 1, start=START + 2)])
        assert store._connection is kept, "a full disk does no harm to what is open"


def spoil(file: Path, of: Callable[[int], bool]) -> bytes:
    """Overwrite some pages after the first; what the file was like then."""
    data = bytearray(file.read_bytes())
    for page in range(1, len(data) // 4096):
        if of(page):
            data[4096 * page : 4096 * (page + 1)] = b"\x5a" * 4096
    file.write_bytes(data)
    return bytes(data)


def checkpoint(connection: sqlite3.Connection) -> None:
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")


async def test_damage_while_recording_costs_no_row(tmp_path: Path) -> None:
    queue: Queue = asyncio.Queue()
    sinks: dict[str, SinkState] = {}
    with open_store(tmp_path, HERE) as store, structlog.testing.capture_logs() as told:
        troubles = Troubles(store)
        store.write([rows(HERE, 300)])
        connection = store._connection
        assert connection
        checkpoint(connection)
        broken = spoil(store.file, lambda page: page > 1)
        connection.execute("PRAGMA shrink_memory")  # or it would write on from its cache
        task = asyncio.create_task(record(store, queue, sinks, interval_s=0.02))
        for k in range(5):
            queue.put_nowait(Scan(*rows(HERE, 1, start=START + 1000 + k)))
        await until(lambda: store.aside and sinks[recorder.NAME].connected)
        queue.put_nowait(Scan(*rows(HERE, 1, start=START + 1010)))
        queue.put_nowait(None)
        await task
        assert count(store) == 6, "in the fresh file"
        words = troubles.found(sinks, ClockState())
        assert store.aside in words[ASIDE]
    kept = tmp_path / store.aside
    assert kept.read_bytes()[4096:] == broken[4096:], "as it was found"
    assert any("kept aside" in line["event"] for line in told)


def test_damage_met_by_a_reader_is_told_and_set_aside_at_the_next_start(tmp_path: Path) -> None:
    with open_store(tmp_path, HERE) as store:
        store.write([rows(HERE, 3000)])
        connection = store._connection
        assert connection
        checkpoint(connection)
        pages = store.file.stat().st_size // 4096
        spoil(store.file, lambda page: 20 < page < pages - 20)
        with pytest.raises(sqlite3.DatabaseError), history.reader(store.file) as reader:
            reader.execute("SELECT sum(length(series_values)) FROM readings").fetchone()
        store.do(lambda c: c.execute("SELECT 1"))
        words = Troubles(store).found({}, ClockState())
        assert words == {
            ASIDE: "The history file has a damaged page; it is set aside at the next start"
        }
    with open_store(tmp_path, HERE) as store:
        assert count(store) == 0
        assert store.aside


def test_a_file_that_was_set_aside_is_told_for_a_while(tmp_path: Path) -> None:
    now = 0.0
    (tmp_path / opening.FILE).write_bytes(b"rubbish" * 1000)
    with open_store(tmp_path, HERE) as store:
        troubles = Troubles(store, lambda: now)
        assert set(troubles.found({}, ClockState())) == {ASIDE}
        now = TOLD_S
        assert troubles.found({}, ClockState()) == {}


async def test_a_disk_that_hangs_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(recorder, "SLOW_S", 0.05)
    queue: Queue = asyncio.Queue()
    sinks: dict[str, SinkState] = {}
    with open_store(tmp_path, HERE) as store:
        write = store.write
        hangs = True

        def hung(*args: Any) -> None:
            while hangs:
                time.sleep(0.01)
            write(*args)

        monkeypatch.setattr(store, "write", hung)
        task = asyncio.create_task(record(store, queue, sinks, interval_s=0.01))
        queue.put_nowait(Scan(*rows(HERE, 1)))
        await until(lambda: sinks and not sinks[recorder.NAME].connected)
        assert "no answer from the disk for" in sinks[recorder.NAME].reason
        assert sinks[recorder.NAME].waiting == 1
        assert HISTORY in Troubles(store).found(sinks, ClockState())
        hangs = False
        queue.put_nowait(None)
        await task
        assert sinks[recorder.NAME].connected
        assert count(store) == 1


def test_no_token_can_be_made_on_a_disk_that_takes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: Any, **__: Any) -> int:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("gateway.web.gate.os.open", full)
    with pytest.raises(DiskError, match="No space left"):
        local_token(tmp_path)


@pytest.mark.parametrize(("free", "said"), [(0, "; no room is left there"), (10**9, "")])
def test_a_full_disk_is_called_full(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, free: int, said: str
) -> None:
    """SQLite says "disk I/O error" when there is no room for the files beside its own."""
    usage = namedtuple("usage", "total used free")  # noqa: PYI024 - as shutil's own
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage(10**9, 10**9 - free, free))
    error = sqlite3.OperationalError("disk I/O error")
    error.sqlite_errorcode = sqlite3.SQLITE_IOERR_SHMSIZE
    told = opening.told(tmp_path / "history", error)
    assert isinstance(told, DiskError)
    assert str(told) == f"{tmp_path}/history: disk I/O error{said}"
    error.sqlite_errorcode = sqlite3.SQLITE_BUSY
    assert not isinstance(opening.told(tmp_path / "history", error), DiskError)


@pytest.mark.parametrize(
    ("code", "words"),
    [
        (sqlite3.SQLITE_READONLY, "attempt to write a readonly database"),
        (sqlite3.SQLITE_CANTOPEN, "unable to open database file"),
    ],
)
def test_a_file_of_somebody_else_is_told_as_such(tmp_path: Path, code: int, words: str) -> None:
    """As after a restore or a copy by root: the folder is the gateway's, the file is not."""
    error = sqlite3.OperationalError(words)
    error.sqlite_errorcode = code
    assert str(opening.told(tmp_path / "history", error)) == (
        f"{tmp_path}/history: {words}; allowed: files there, and a folder, that this user may "
        "write to"
    )
