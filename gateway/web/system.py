"""The HTTP interface on the gateway itself: program, machine, history file, what waits."""

from __future__ import annotations

import os
import platform
import shutil
import sqlite3
from pathlib import Path

from fastapi import APIRouter
from pydantic import BaseModel, Field

from gateway.errors import StoreError
from gateway.process import program_version
from gateway.record.standing import Standing
from gateway.views import iso

from .past import ask
from .sources import FromApp, Sources

router = APIRouter(tags=["operation"])


class HistoryFileView(BaseModel):
    """The history file and its disk; null where the file cannot be asked."""

    folder: str
    bytes: int = Field(description="The file with what is not yet folded into it.")
    disk_free: int = Field(description="Bytes free on its disk.")
    disk_total: int
    since: dict[str, str | None] | None = Field(
        description="Oldest record of each class: rows, minutes, hours, journal."
    )
    entries: int | None = Field(description="Of the journal so far.")
    outbox: int | None = Field(description="Events that the broker has yet to take.")
    refused: dict[str, int] | None = Field(description="Set aside for good, by receiver.")
    schema_version: int | None


class SystemView(BaseModel):
    """The gateway itself."""

    version: str
    revision: str = Field(description="Changes with the site file and with the program.")
    python: str
    sqlite: str
    machine: str
    started: str
    up_s: float
    memory: int | None = Field(description="Bytes of memory in use; null: not known here.")
    load: float | None = Field(description="Work waiting for the processors, mean of a minute.")
    processors: int
    viewers: int = Field(description="Open event streams.")
    clock: str = Field(description="What there is to say of the clock; empty when all is well.")
    troubles: dict[str, str] = Field(description="What is wrong with the gateway itself.")
    controllers: int
    transducers: int
    loops: int
    history: HistoryFileView | None = Field(description="Null where nothing is recorded.")


@router.get("/system")
async def system(sources: FromApp) -> SystemView:
    """Versions, uptime, memory, disk, and how the history file stands."""
    return await ask(lambda: _system(sources))


def _system(sources: Sources) -> SystemView:
    """In a thread."""
    site, latest, now = sources.live.site, sources.live.latest, sources.clock()
    return SystemView(
        version=program_version(),
        revision=sources.framing.revision,
        python=platform.python_version(),
        sqlite=sqlite3.sqlite_version,
        machine=f"{platform.system()} {platform.release()}, {platform.machine()}",
        started=iso(sources.started),
        up_s=round(now - sources.started, 1),
        memory=memory(),
        load=round(os.getloadavg()[0], 2) if hasattr(os, "getloadavg") else None,
        processors=os.cpu_count() or 1,
        viewers=sources.streams.open,
        clock=latest.clock.reason if latest else "",
        troubles=dict(latest.troubles) if latest else {},
        controllers=len(site.controllers),
        transducers=len(site.transducers),
        loops=len(site.loops),
        history=_history(sources),
    )


def _history(sources: Sources) -> HistoryFileView | None:
    file = sources.past.file
    if file is None:
        return None
    try:
        stands: Standing | None = sources.past.stands()
    except (StoreError, sqlite3.Error):
        stands = None  # the disk may be in trouble: that is when this page is looked at
    disk = shutil.disk_usage(file.parent)
    since = stands.since if stands else {}
    return HistoryFileView(
        folder=str(file.parent),
        bytes=_bytes(file),
        disk_free=disk.free,
        disk_total=disk.total,
        since={k: iso(v) if v is not None else None for k, v in since.items()} if stands else None,
        entries=stands.entries if stands else None,
        outbox=stands.outbox if stands else None,
        refused=stands.refused if stands else None,
        schema_version=stands.version if stands else None,
    )


def _bytes(file: Path) -> int:
    parts = [file, file.with_name(file.name + "-wal")]
    return sum(part.stat().st_size for part in parts if part.is_file())


def memory() -> int | None:
    """Resident memory of this process in bytes; None where /proc does not tell."""
    try:
        pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    except (OSError, ValueError, IndexError):
        return None
    return pages * os.sysconf("SC_PAGE_SIZE")
