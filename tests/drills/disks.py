"""Disks to break: a small one of memory where this user may mount it, else one that pretends."""

from __future__ import annotations

import errno
import os
import sqlite3
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from gateway.record import opening
from gateway.record import store as store_module

SIZE_MB = 8
PRETENDED = "pretended"


class Disk:
    """An ordinary folder; the calls of the store fail as they would on a disk in trouble.

    how: whether it is a real disk that is full or read-only, for the table.
    """

    how = f"{PRETENDED}: no right to mount a small disk"

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._code: int | None = None
        self._number: int | None = None
        self._within, self._open = store_module._within, os.open

    def fill(self) -> None:
        """Take up all room that is left."""
        self._code = sqlite3.SQLITE_FULL

    def free(self) -> None:
        """Give it back."""
        self._code = None

    def pretend(self, *, writable: bool) -> None:
        """Read-only or writable again, under a gateway that runs.

        Always pretended: systems only do that to a disk with open files when it fails.
        """
        self._code = None if writable else sqlite3.SQLITE_READONLY
        self._number = None if writable else errno.EROFS

    def turn(self, *, writable: bool) -> None:
        """Read-only or writable again, while nothing is open on it."""
        self.pretend(writable=writable)

    def within(self, *given: Any, **named: Any) -> Any:
        """In place of the store's own transaction."""
        if self._code is not None:
            error = sqlite3.OperationalError("the disk takes nothing")
            error.sqlite_errorcode = self._code
            raise error
        return self._within(*given, **named)

    def open(self, *given: Any, **named: Any) -> int:
        """In place of the opening of the lock."""
        if self._number is not None:
            raise OSError(self._number, os.strerror(self._number))
        return self._open(*given, **named)


class SmallDisk(Disk):
    """A tmpfs."""

    how = f"a tmpfs of {SIZE_MB} MB"

    def fill(self) -> None:
        with self._ballast.open("wb", buffering=0) as out:
            for size in (65_536, 4096, 1):
                try:
                    while out.write(bytes(size)) == size:
                        pass
                except OSError as error:
                    if error.errno != errno.ENOSPC:
                        raise

    def free(self) -> None:
        self._ballast.unlink()

    def turn(self, *, writable: bool) -> None:
        how = "remount,rw" if writable else "remount,ro"
        subprocess.run(["mount", "-o", how, str(self.folder)], check=True)

    @property
    def _ballast(self) -> Path:
        return self.folder / "ballast"


@contextmanager
def disk(folder: Path) -> Iterator[Disk]:
    """One to break, until the end of the drill."""
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", f"size={SIZE_MB}m", "tmpfs", str(folder)]
    may = os.geteuid() == 0
    mounted = may and subprocess.run(mount, check=False, capture_output=True).returncode == 0
    there = SmallDisk(folder) if mounted else Disk(folder)
    stores, openings = vars(store_module), vars(opening)
    real = stores["_within"], openings["os"]
    stores["_within"], openings["os"] = there.within, _Os(there)
    try:
        yield there
    finally:
        stores["_within"], openings["os"] = real
        if mounted:
            subprocess.run(["umount", "-l", str(folder)], check=True)


class _Os:
    """The module `os`, but for `open`."""

    def __init__(self, there: Disk) -> None:
        self.open = there.open

    def __getattr__(self, name: str) -> Any:
        return getattr(os, name)
