"""Scans from a CSV file, plain or gzipped, as blocks; never the whole file in memory."""

from __future__ import annotations

import csv
import gzip
import zlib
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack
from datetime import UTC, datetime
from io import TextIOWrapper
from itertools import islice
from math import inf, nan
from pathlib import Path
from typing import IO, cast

import numpy as np

from gateway.errors import Fault
from gateway.measure.blocks import Block, Bools, Floats
from gateway.plant.faults import shown
from gateway.plant.site import Site

from .gaps import Gaps
from .header import Header, ScansError

BLOCK_ROWS = 86_400
"""A day of one-second rows."""
BLOCK_CELLS = 4_000_000
"""Cells at most, for sites with thousands of points."""
FAULTS_NAMED = 10
ALLOWED_TIME = "ISO 8601 or seconds since 1970, UTC, from 1970 to the year 9999"
FIRST, LAST = 0.0, 253_402_300_799.0
"""1970 to the end of year 9999: milliseconds taken for seconds lie far beyond."""

Row = tuple[int, list[str]]
"""Line number and cells."""


def rows_per_block(columns: int) -> int:
    """Rows looked at in one go."""
    return max(1, min(BLOCK_ROWS, BLOCK_CELLS // max(1, columns)))


def csv_blocks(
    file: Path, site: Site, progress: Callable[[float], None] | None = None
) -> Iterator[Block]:
    """Blocks of a CSV file, times rising.

    progress: told the share of the file that has been read. ScansError for a header or cells that
    do not fit, for the first time that does not rise, and for a file that cannot be read.
    """
    try:
        with ExitStack() as stack:
            raw = stack.enter_context(file.open("rb"))
            size = max(1, file.stat().st_size)
            packed = file.suffix == ".gz"
            plain = stack.enter_context(gzip.open(raw)) if packed else raw
            text = TextIOWrapper(cast("IO[bytes]", plain), encoding="utf-8-sig", newline="")
            for block in _blocks(str(file), text, site):
                if progress:
                    progress(raw.tell() / size)
                yield block
    except (OSError, EOFError, zlib.error) as error:
        # gzip: OSError for a file that is none, EOFError for one cut off, zlib.error for damage.
        said = getattr(error, "strerror", None) or str(error)
        raise ScansError(str(file), [Fault("file", said, "a readable CSV file")]) from None
    except UnicodeDecodeError:
        fault = Fault("file", "not UTF-8 text", "CSV in UTF-8")
        raise ScansError(str(file), [fault]) from None


def _blocks(file: str, text: Iterable[str], site: Site) -> Iterator[Block]:
    lines = _rows(file, text)
    header = Header(site, file, next(lines, (0, []))[1])
    gaps, before = Gaps(site, header.there), -inf
    while rows := list(islice(lines, rows_per_block(len(header.there)))):
        time, values = _numbers(file, header, rows)
        places = [f"line {number}" for number, _ in rows]
        check_rising(file, time, before, places)
        before = float(time[-1])
        block = gaps.block(time, values)
        for column in header.telling:
            take_told(file, header, block, column, [cells[column] for _, cells in rows], places)
        yield block


def _rows(file: str, text: Iterable[str]) -> Iterator[Row]:
    """Lines that are not empty."""
    reader = csv.reader(text, strict=True)
    try:
        for row in reader:
            if row:
                yield reader.line_num, row
    except csv.Error as error:
        fault = Fault(f"line {reader.line_num}", str(error), "CSV with commas")
        raise ScansError(file, [fault]) from None


def check_rising(file: str, time: Floats, before: float, places: list[str]) -> None:
    """ScansError for the first row whose time is not above that of the row before."""
    late = np.flatnonzero(np.diff(time, prepend=before) <= 0)
    if len(late):
        row = int(late[0])
        earlier = before if row == 0 else float(time[row - 1])
        value = f"time {_iso(float(time[row]))}"
        allowed = f"times that rise: the row before is at {_iso(earlier)}"
        raise ScansError(file, [Fault(places[row], value, allowed)])


def take_told(
    file: str, header: Header, block: Block, column: int, texts: list[str], places: list[str]
) -> None:
    """Put the reasons that a column tells where values are missing; ScansError for what is none."""
    try:
        part, codes = header.told(column, texts)
    except ValueError as error:
        bad = str(error)
        fault = header.bad_telling(column, places[texts.index(bad)], bad)
        raise ScansError(file, [fault]) from None
    mine, values = block.reasons[:, part], block.values[:, part]
    known = np.isnan(values) & (codes != 0) & header.there[part]
    mine[known] = codes[known]


def _numbers(file: str, header: Header, rows: list[Row]) -> tuple[Floats, Floats]:
    """(R,) times and (R, P) values; ScansError names the first cells that are no numbers."""
    width = len(header)
    if any(len(cells) != width for _, cells in rows):
        wrong = [(n, cells) for n, cells in rows if len(cells) != width]
        raise ScansError(
            file,
            [Fault(f"line {n}", f"{len(cells)} cells", f"{width}, as in the header")
             for n, cells in wrong[:FAULTS_NAMED]],
        )  # fmt: skip
    try:
        time = np.array(_times([cells[0] for _, cells in rows]))
        at = header.values
        cells = [[float(cells[k]) if cells[k] else nan for k in at] for _, cells in rows]
    except ValueError:
        raise ScansError(file, _bad_cells(header, rows)) from None
    values = np.full((len(rows), len(header.there)), nan)
    values[:, header.place] = cells
    if np.isinf(values).any() or not timely(time).all():
        raise ScansError(file, _bad_cells(header, rows))
    return time, values


def timely(time: Floats) -> Bools:
    """(R,) where a time is one of the calendar."""
    return np.asarray((time >= FIRST) & (time <= LAST), dtype=np.bool_)


def _times(cells: list[str]) -> list[float]:
    try:
        return [float(cell) for cell in cells]
    except ValueError:
        return [seconds(cell) for cell in cells]


def seconds(cell: str) -> float:
    """Seconds since 1970 of ISO 8601 (without an offset: UTC) or of a number; else ValueError."""
    try:
        return float(cell)
    except ValueError:
        stamp = datetime.fromisoformat(cell.strip())
        return (stamp if stamp.tzinfo else stamp.replace(tzinfo=UTC)).timestamp()


def _bad_cells(header: Header, rows: list[Row]) -> list[Fault]:
    faults = []
    for line, cells in rows:
        for column in (0, *header.values):
            name, cell, is_time = header.names[column], cells[column], column == 0
            if not _fits(cell, is_time=is_time):
                allowed = ALLOWED_TIME if is_time else "a number, or nothing for a failed read"
                faults.append(Fault(f"line {line}, {name}", shown(cell), allowed))
                if len(faults) == FAULTS_NAMED:
                    return faults
    return faults


def _fits(cell: str, *, is_time: bool) -> bool:
    try:
        value = seconds(cell) if is_time else float(cell) if cell else 0.0
    except ValueError:
        return False
    return FIRST <= value <= LAST if is_time else abs(value) != inf


def _iso(when: float) -> str:
    return datetime.fromtimestamp(when, UTC).isoformat().replace("+00:00", "Z")
