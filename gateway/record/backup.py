"""A copy of the history file while somebody writes to it, and the way back."""

from __future__ import annotations

import os
import shutil
import sqlite3
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from gateway.errors import DiskError, StoreError

from . import journal, memory, schema
from .opening import DAMAGED, FILE, LOCK, TakenError, is_damage, locked_folder, reader

PAGES = 2000
"""Pages (8 MB) copied in one go, after which progress is told and Ctrl-C heard."""
PART = ".part"
BESIDE = "beside"
"""Under this name the memory of a backup holds what lay beside the history."""
ENDS = ("", "-wal", "-shm")
"""What belongs to one SQLite file."""

Progress = Callable[[float], None]
"""Told the share that is done."""


@dataclass(frozen=True)
class Copy:
    """A file that was written. upto: latest row in it, seconds since 1970; None: no rows."""

    file: Path
    size: int
    upto: float | None


def stamp() -> str:
    """Now, as part of a file's name."""
    return datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")


def back_up(
    store: Path,
    target: Path,
    progress: Progress | None = None,
    beside: Mapping[str, str] | None = None,
) -> Copy:
    """Copy a history file, written to or not, as it is at this instant.

    target: a folder, in which it gets a name with the time, or a file that is not there yet. The
    copy is checked before it gets its name. beside: texts of small files that lie beside it, by
    name; they go into the copy, which is then for its owner's eyes alone. StoreError says what
    cannot be.
    """
    if not store.is_file():
        raise StoreError(f"{store}: not there; allowed: a folder in which a gateway keeps history")
    file = target / f"{store.stem}-{stamp()}{store.suffix}" if target.is_dir() else target
    if file.exists():
        raise StoreError(f"{file}: is there already; allowed: a new name, or a folder")
    with _told(file), reader(store) as source, _whole(file) as part:
        # One state of the file for the whole copy: without it every commit of the writer would
        # make SQLite begin anew. The write-ahead file grows meanwhile.
        source.execute("BEGIN")
        check_owner(source, store)
        return _copied(source, part, file, progress, beside=beside or {})


def beside_of(backup: Path) -> Mapping[str, str]:
    """The texts that went into a backup with the history, by name."""
    with _told(backup), reader(backup) as source:
        try:
            return {k: str(v) for k, v in (memory.recall(source, BESIDE) or {}).items()}
        except sqlite3.OperationalError:  # of a version that did not know it
            return {}


def restore(folder: Path, backup: Path, progress: Progress | None = None) -> tuple[Copy, str]:
    """Put a backup into a state folder; what it replaces is kept aside, under the name given back.

    The name is "" when there was nothing. StoreError when a gateway runs on the folder, when the
    backup is damaged, of a newer version or another program's, or when there is no room.
    """
    if not backup.is_file():
        raise StoreError(f"{backup}: not there; allowed: a file that `loopwitness backup` wrote")
    file = folder / FILE
    with _locked(folder), _told(file):
        restoring = file.with_name(f"{file.name}.restoring")
        restoring.unlink(missing_ok=True)
        with _told(backup), reader(backup) as source:
            check_owner(source, backup)
            _check_whole(source, backup)
            with _whole(restoring) as part:
                copy = _copied(source, part, restoring, progress, renew=True)
        aside = _set_aside(file)
        restoring.rename(file)
        (folder / DAMAGED).unlink(missing_ok=True)  # it was about the file that went aside
        _give_to_owner(folder)
        _on_disk(folder)
        return Copy(file, copy.size, copy.upto), aside


@contextmanager
def _locked(folder: Path) -> Iterator[None]:
    try:
        with locked_folder(folder):
            yield
    except TakenError:
        raise StoreError(
            f"{folder}: a gateway runs on this folder; allowed: restoring while it is stopped"
        ) from None
    except DiskError as error:
        raise StoreError(f"{error}; allowed: a place that can be written") from None


@contextmanager
def _told(file: Path) -> Iterator[None]:
    """Errors of disk and SQLite as StoreError that names the file."""
    try:
        yield
    except sqlite3.Error as error:
        allowed = "; allowed: a file of this program that is whole" if is_damage(error) else ""
        raise StoreError(f"{file}: {error}{allowed}") from error
    except OSError as error:
        raise StoreError(
            f"{file}: {error.strerror}; allowed: a place that can be written"
        ) from None


@contextmanager
def _whole(file: Path) -> Iterator[Path]:
    """A file that gets its name when all went well, and else leaves nothing."""
    part = file.with_name(file.name + PART)
    part.unlink(missing_ok=True)
    try:
        yield part
        _on_disk(part)
        part.rename(file)
        _on_disk(file.parent)
    finally:
        for end in (*ENDS, "-journal"):
            part.with_name(part.name + end).unlink(missing_ok=True)


def _copied(
    source: sqlite3.Connection,
    part: Path,
    name: Path,
    progress: Progress | None,
    *,
    renew: bool = False,
    beside: Mapping[str, str] | None = None,
) -> Copy:
    """The copy, checked, in one file that needs no write-ahead file beside it.

    renew: as the beginning of another journal, whose numbers may have been given already; without
    the texts that were beside it, which go their own way.
    """
    pages = source.execute("PRAGMA page_count").fetchone()[0]
    size = pages * source.execute("PRAGMA page_size").fetchone()[0]
    free = shutil.disk_usage(part.parent).free
    if free < size:
        room = f"{size / 1e6:.1f} MB needed, {free / 1e6:.1f} MB free there"
        raise StoreError(f"{name}: {room}; allowed: a disk with room for the whole file")

    def step(_status: int, left: int, total: int) -> None:
        if progress:
            progress(1 - left / max(1, total))

    with closing(sqlite3.connect(part, isolation_level=None)) as copy:
        copy.execute("PRAGMA synchronous = OFF")  # one fsync at the end does
        source.backup(copy, pages=PAGES, progress=step)
        copy.execute("PRAGMA journal_mode = DELETE")
        _check_whole(copy, name)
        if renew:
            with suppress(sqlite3.OperationalError):  # of a version that did not know it
                copy.execute("DELETE FROM memory WHERE name IN (?, ?)", (journal.NAME, BESIDE))
        if beside:
            part.chmod(0o600)
            memory.keep(copy, BESIDE, round(time.time() * 1000), beside)
        (newest,) = copy.execute("SELECT max(time_ms) FROM scans").fetchone()
    return Copy(name, part.stat().st_size, None if newest is None else newest / 1000)


def check_owner(connection: sqlite3.Connection, file: Path) -> None:
    """StoreError when a file is another program's, or of a newer version of this one."""
    (owner,) = connection.execute("PRAGMA application_id").fetchone()
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    if owner != schema.APPLICATION_ID:
        raise StoreError(f"{file}: no history of this program; allowed: a file that it wrote")
    if version > len(schema.MIGRATIONS):
        raise StoreError(
            f"{file}: schema version {version}, written by a newer version of this program; "
            f"allowed: up to {len(schema.MIGRATIONS)}"
        )


def _check_whole(connection: sqlite3.Connection, file: Path) -> None:
    (said,) = connection.execute("PRAGMA quick_check(1)").fetchone()
    if said != "ok":
        raise StoreError(
            f"{file}: damaged ({' '.join(said.split())}); allowed: a file that is whole"
        )


def _set_aside(file: Path) -> str:
    """Give the file there is another name; "" when there is none."""
    if not file.exists():
        return ""
    aside = file.with_name(f"{file.stem}-replaced-{stamp()}{file.suffix}")
    for end in ENDS:
        part = file.with_name(file.name + end)
        if part.exists():
            part.rename(aside.with_name(aside.name + end))
    return aside.name


def _give_to_owner(folder: Path) -> None:
    """What root put there belongs to whoever the folder belongs to."""
    if os.geteuid() == 0:
        owner = folder.stat()
        for name in (FILE, LOCK):
            os.chown(folder / name, owner.st_uid, owner.st_gid)


def _on_disk(place: Path) -> None:
    handle = os.open(place, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
