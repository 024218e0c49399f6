"""Recorded rows wherever they are: the history, and the archive's files beside it.

Whole, in order, and each row once: a day may be in the history, in a file, in several, or partly
here and partly there, and may move from one to the other while it is read.
"""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import suppress
from datetime import UTC, datetime
from math import inf
from pathlib import Path

import numpy as np

from gateway.errors import StoreError
from gateway.measure.blocks import Block
from gateway.measure.columns import Ints
from gateway.record.history import raw_blocks

from .dayfile import day_file_blocks

FOLDER = "archive"
"""Beside the history file."""
DAY_S = 86_400
Listing = tuple[tuple[float, Path], ...]
"""Files, each with its day's first second since 1970, in the order in which they were written."""

_NAME = re.compile(r"(\d{4}-\d{2}-\d{2})(?:-(\d+))?\.parquet")


class _MovedError(Exception):
    """Files have come or gone: rows may have moved from the history into them."""


def day_of(name: str) -> tuple[float, int] | None:
    """A day's first second since 1970, and which of its files a name is; None for another name."""
    if match := _NAME.fullmatch(name):
        with suppress(ValueError):
            day = datetime.fromisoformat(match[1]).replace(tzinfo=UTC)
            return day.timestamp(), int(match[2] or 1)
    return None


def files_of(archive: Path | None) -> Listing:
    """The files of an archive; none where there is no such folder.

    StoreError for a folder that cannot be looked at.
    """
    found: list[tuple[float, int, Path]] = []
    try:
        names = archive.iterdir() if archive else ()
        found += [(*day, f) for f in names if (day := day_of(f.name)) and f.is_file()]
    except (FileNotFoundError, NotADirectoryError):
        return ()
    except OSError as error:
        allowed = "a folder that this user may read"
        raise StoreError(f"{archive}: {error.strerror}; allowed: {allowed}") from error
    return tuple((day, file) for day, _, file in sorted(found))


def ends(connection: sqlite3.Connection, archive: Path | None) -> tuple[float, float] | None:
    """Seconds since 1970 between which there are rows, by whole days where files have them."""
    row = connection.execute("SELECT min(time), max(time) FROM scans").fetchone()
    times = [time for time in row if time is not None]
    times += [end for day, _ in files_of(archive) for end in (day, day + DAY_S)]
    return (min(times), max(times)) if times else None


def kept_blocks(
    connection: sqlite3.Connection,
    archive: Path | None,
    start: float,
    end: float,
    rows: int = 86_400,
    *,
    points: Sequence[str],
) -> Iterator[Block]:
    """As `history.raw_blocks`, of the history and of an archive.

    StoreError for a file that cannot be read, StartError when Parquet cannot.
    """
    last_ms = -1
    while start < end:
        known = files_of(archive)
        stop, files = _stretch(known, start, end)
        living = _unmoved(
            raw_blocks(connection, start, stop, rows, points=points), archive, known, (start, stop)
        )
        sources = [day_file_blocks(file, start, stop, rows, points=points) for file in files]
        try:
            for block in merged([*sources, living]):
                fresh = int(np.searchsorted(_ms(block), last_ms, side="right"))
                if fresh < len(block):
                    last_ms = int(_ms(block)[-1])
                    yield block.rows(fresh, len(block))
        except (_MovedError, FileNotFoundError):
            start = max(start, last_ms / 1000)
            continue
        start = stop


def _stretch(known: Listing, start: float, end: float) -> tuple[float, tuple[Path, ...]]:
    """Up to where one set of files reaches, and which; no file, up to the next day that has one."""
    day = start // DAY_S * DAY_S
    files = tuple(file for begin, file in known if begin == day)
    if files:
        return min(end, day + DAY_S), files
    return min((begin for begin, _ in known if start < begin < end), default=end), ()


def _unmoved(
    blocks: Iterator[Block], archive: Path | None, known: Listing, span: tuple[float, float]
) -> Iterator[Block]:
    """Blocks of the history, for as long as the files of the span are those that are known.

    Rows are removed after their file has got its name: rows that were read before the files are
    found unchanged were all still there.
    """
    before = _within(known, span)
    for block in blocks:
        if _within(files_of(archive), span) != before:
            raise _MovedError
        yield block
    if _within(files_of(archive), span) != before:
        raise _MovedError


def _within(files: Listing, span: tuple[float, float]) -> Listing:
    start, stop = span
    return tuple(one for one in files if start - DAY_S < one[0] < stop)


def merged(sources: Sequence[Iterator[Block]]) -> Iterator[Block]:
    """Rows of all in order of time; one that several have is the first one's."""
    heads = [(head, rest) for rest in sources if (head := next(rest, None)) is not None]
    while heads:
        upto = min((head.time[-1] for head, _ in heads), default=inf)
        parts, left = [], []
        for head, rest in heads:
            cut = int(np.searchsorted(head.time, upto, side="right"))
            if cut:
                parts.append(head.rows(0, cut))
            following = head.rows(cut, len(head)) if cut < len(head) else next(rest, None)
            if following is not None:
                left.append((following, rest))
        heads = left
        yield _one(parts)


def _one(parts: Sequence[Block]) -> Block:
    if len(parts) == 1:
        return parts[0]
    whole = Block(
        *(np.concatenate([vars(part)[name] for part in parts]) for name in vars(parts[0]))
    )
    _, first = np.unique(_ms(whole), return_index=True)
    return Block(whole.time[first], whole.values[first], whole.reasons[first])


def _ms(block: Block) -> Ints:
    """(R,) times as the history has them."""
    return np.round(block.time * 1000).astype(np.int64)
