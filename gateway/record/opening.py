"""Opening the history file: the lock, a file that is damaged, the schema."""

from __future__ import annotations

import fcntl
import os
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path

import structlog

from gateway.errors import DISK_ERRNOS, DiskError, StoreError

from . import schema

FILE = "history.sqlite3"
LOCK = "history.lock"
DAMAGED = "history.damaged"
"""Left by whoever met a damaged page, so that whoever opens the file next sets it aside."""
LEAST_ROOM = 65_536
"""Bytes; with less SQLite cannot begin."""
BUSY_S = 2.0
"""Longest wait for another program's lock on the file."""
CACHE_KIB = 512
"""Pages that each connection keeps. 4 times as many, SQLite's own choice, save the writer, which
appends, no time on a site of 2,000 transducers, and readers none of 30 days; with several readers
at once they are what decides how much memory the program has at its height."""

log = structlog.get_logger(__name__)


class TakenError(StoreError):
    """Another process writes in the folder."""


def is_damage(error: sqlite3.Error) -> bool:
    """True when SQLite says that the file itself is broken."""
    code = getattr(error, "sqlite_errorcode", 0) or 0
    return code & 0xFF in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)


def is_passing(error: sqlite3.Error) -> bool:
    """True for what leaves the open file as it is: no room, or another program's lock."""
    code = getattr(error, "sqlite_errorcode", 0) or 0
    passing = (sqlite3.SQLITE_FULL, sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)
    return code & 0xFF in passing


@contextmanager
def locked_folder(folder: Path) -> Iterator[None]:
    """Hold the folder for this process; StoreError when it is not to be had.

    DiskError when that is for the disk's sake.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        lock = os.open(folder / LOCK, os.O_CREAT | os.O_RDWR, 0o644)
    except (FileExistsError, NotADirectoryError):
        raise StoreError(f"{folder}: not a folder; allowed: a folder for the history") from None
    except OSError as error:
        if error.errno in DISK_ERRNOS:
            raise DiskError(f"{folder}: {error.strerror}") from None
        raise StoreError(
            f"{folder}: {error.strerror}; allowed: a folder that this user may write to"
        ) from None
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        os.close(lock)
        raise TakenError(
            f"{folder}: another process writes here; allowed: a folder for each process"
        ) from None
    try:
        yield
    finally:
        os.close(lock)


def connect(folder: Path) -> tuple[sqlite3.Connection, str]:
    """The writer's connection, at this version of the schema; what a damaged file is called now.

    A damaged file is kept under a new name and a fresh one started; "" where there was none.
    StoreError when the file cannot be opened, is of a newer version or another program's,
    DiskError when the disk takes nothing.
    """
    file, aside = folder / FILE, ""
    if (folder / DAMAGED).exists():
        with _disk(file):
            aside = _set_aside(file, "a damaged page was met")
            (folder / DAMAGED).unlink()
    try:
        return _connect(file), aside
    except sqlite3.Error as error:
        if not is_damage(error):
            raise told(file, error) from error
        why = str(error)
    with _disk(file):
        aside = _set_aside(file, why)
    try:
        return _connect(file), aside
    except sqlite3.Error as error:
        raise told(file, error) from error


def told(file: Path, error: sqlite3.Error) -> StoreError:
    """SQLite's words, as a DiskError where they are about the disk.

    A disk without room is told as such: SQLite calls it an I/O error where it needs a new file.
    """
    code = getattr(error, "sqlite_errorcode", 0) or 0
    words = f"{file}: {error}"
    if code & 0xFF in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM):
        words += "; allowed: files there, and a folder, that this user may write to"
    if code & 0xFF not in (sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR):
        return StoreError(words)
    with suppress(OSError):
        if shutil.disk_usage(file.parent).free < LEAST_ROOM:
            words += "; no room is left there"
    return DiskError(words)


@contextmanager
def _disk(file: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise DiskError(f"{file}: {error.strerror}") from error


def _connect(file: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(
        file, timeout=BUSY_S, isolation_level=None, check_same_thread=False
    )
    try:
        connection.execute("PRAGMA journal_mode = WAL")
        # Zeroing what is deleted would double the writing of every pruning step.
        connection.execute("PRAGMA secure_delete = OFF")
        connection.execute(f"PRAGMA cache_size = -{CACHE_KIB}")
        schema.upgrade(connection, str(file))
        for table in ("scans", "readings", "journal"):
            connection.execute(
                f"SELECT * FROM {table} ORDER BY 1 DESC LIMIT 1"  # noqa: S608 - own table names
            ).fetchall()
    except BaseException:
        connection.close()
        raise
    return connection


def _set_aside(file: Path, why: str) -> str:
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S%f")
    aside = file.with_name(f"{file.stem}-damaged-{stamp}{file.suffix}")
    for end in ("", "-wal", "-shm"):
        part = file.with_name(file.name + end)
        if part.exists():
            part.rename(aside.with_name(aside.name + end))
    log.error("history file damaged: kept aside, fresh one started", reason=why, kept=str(aside))
    return aside.name


@contextmanager
def reader(file: Path) -> Iterator[sqlite3.Connection]:
    """A read-only connection of one's own; StoreError when there is no file that can be read.

    Keep it for one question: a long read keeps the write-ahead file from being reset.
    """
    try:
        connection = sqlite3.connect(
            f"{file.resolve().as_uri()}?mode=ro",
            uri=True,
            timeout=BUSY_S,
            isolation_level=None,
            check_same_thread=False,
        )
    except sqlite3.Error as error:
        raise StoreError(f"{file}: {error}") from error
    with closing(connection):
        try:
            _look(connection, file)
            connection.execute(f"PRAGMA cache_size = -{CACHE_KIB}")
            yield connection
        except sqlite3.DatabaseError as error:
            if is_damage(error) and file.name == FILE:
                with suppress(OSError):
                    file.with_name(DAMAGED).touch()
            raise


def _look(connection: sqlite3.Connection, file: Path) -> None:
    """StoreError where SQLite cannot put what all readers share beside the file, nor finds it."""
    try:
        connection.execute("SELECT 1 FROM sqlite_master").fetchone()
    except sqlite3.OperationalError as error:
        code = (getattr(error, "sqlite_errorcode", 0) or 0) & 0xFF
        if code not in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN):
            raise
        raise StoreError(
            f"{file}: this user cannot read it here; allowed: the user that the gateway runs as, "
            "or a copy in a folder that can be written"
        ) from error
