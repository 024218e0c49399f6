"""Every error a person can meet, with the place it happened, and the exit code it ends in.

Exit codes of the command `loopwitness`:
0 all well; 1 the site file has faults, or the scans to `replay` cannot be used; 2 wrong words on
the command line; 3 cannot start (a port in use, a store that cannot be opened); 4 a controller did
not answer `check --live` or `registers`, or no gateway answered `loopcheck` or `record`; 70 a
mistake in this program itself; 130 stopped by Ctrl-C.
"""

from __future__ import annotations

import errno
from dataclasses import dataclass


class LoopwitnessError(Exception):
    """The root: anything this program raises on purpose."""

    exit_code = 1


@dataclass(frozen=True)
class Fault:
    """One thing wrong with a file: where, what stands there, what may stand there."""

    path: str
    value: str
    allowed: str

    def __str__(self) -> str:
        return f"{self.path}: {self.value}; allowed: {self.allowed}"


class SiteFileError(LoopwitnessError):
    """A site file or a register map that cannot be used; carries all faults at once."""

    exit_code = 1

    def __init__(self, file: str, faults: tuple[Fault, ...]) -> None:
        self.file = file
        self.faults = faults
        lines = "\n".join(f"  {fault}" for fault in faults)
        super().__init__(f"{file}: {len(faults)} fault(s)\n{lines}")


class StartError(LoopwitnessError):
    """Something the process needs is not to be had: a port, a folder, a file."""

    exit_code = 3


class StoreError(StartError):
    """The history file cannot be opened or is of a newer version."""


class DiskError(StoreError):
    """The disk takes nothing now: full, read-only or failing. It may later."""


DISK_ERRNOS = frozenset({errno.ENOSPC, errno.EROFS, errno.EIO, errno.EDQUOT, errno.ENODEV})
"""What the system says of such a disk; everything else is about names and permissions."""


class ArchiveError(LoopwitnessError):
    """Old rows cannot be kept elsewhere, so they stay where they are."""


class LinkError(LoopwitnessError):
    """A controller did not answer, or answered wrongly, when a person asked for one reading."""

    exit_code = 4


class ReplyError(LoopwitnessError):
    """A controller's answer that does not fit the request (wrong function, length, exception)."""

    exit_code = 4
