"""One file of the archive, as blocks with the points that are wanted.

The points of a site come and go over the years: what a file has more than the site, or less, is no
fault of the file.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from gateway.errors import StoreError
from gateway.measure.blocks import Block
from gateway.measure.quality import Reason
from gateway.measure.tellings import codes_told
from gateway.plant.site import Site

from .csvfile import FIRST, LAST, rows_per_block
from .header import OWN, REASONS, TIME
from .parquetfile import check_parquet

try:
    import pyarrow as pa
    from pyarrow import parquet
except ImportError:  # an extra: everything else works without it
    pa = parquet = None

ALLOWED = "a whole file of the archive, or none: without it all else can be read"


def day_file_blocks(
    file: Path, start: float, end: float, rows: int, *, points: Sequence[str]
) -> Iterator[Block]:
    """Rows from start up to end (seconds since 1970) with the columns `points`, as recorded.

    A point that the file does not have is NaN with reason NOT_READ_YET. StoreError for a file that
    cannot be read, FileNotFoundError for one that has gone; StartError when Parquet cannot be read.
    """
    check_parquet(str(file))
    try:
        with parquet.ParquetFile(file) as table:
            yield from _blocks(table, start, end, rows, points)
    except FileNotFoundError:
        raise
    except (OSError, ValueError, KeyError, pa.ArrowException) as error:
        words = str(getattr(error, "strerror", None) or error).splitlines() or ["cannot be read"]
        raise StoreError(f"{file}: {words[0]}; allowed: {ALLOWED}") from error


def of_another_time(file: Path, site: Site) -> bool:
    """Whether this program wrote the file when the site had other points, beside some of today's.

    False also for what cannot be read: whoever reads it says so.
    """
    if parquet is None:
        return False
    try:
        schema = parquet.read_schema(file)
    except (OSError, pa.ArrowException):
        return False
    refs = set(_refs(site))
    points = [name for name in schema.names if name != TIME and not name.endswith(REASONS)]
    own = OWN.encode() in (schema.metadata or {})
    return own and bool(refs.intersection(points)) and not refs.issuperset(points)


def other_file_blocks(
    file: Path, site: Site, progress: Callable[[float], None] | None = None
) -> Iterator[Block]:
    """All rows of a file `of_another_time` with the points of the site, errors as above.

    progress: told the share of the rows that have been read.
    """
    refs, done = _refs(site), 0
    whole = max(1, parquet.read_metadata(file).num_rows)
    for block in day_file_blocks(file, FIRST, LAST, rows_per_block(len(refs)), points=refs):
        done += len(block)
        if progress:
            progress(done / whole)
        yield block


def _refs(site: Site) -> list[str]:
    return [f"{key}.{p}" for key, noun in site.controllers.items() for p in noun.points]


def _blocks(
    table: Any, start: float, end: float, rows: int, points: Sequence[str]
) -> Iterator[Block]:
    names: list[str] = table.schema_arrow.names
    place = {point: k for k, point in enumerate(points)}
    wanted = [name for name in names if name in place]
    telling = [f"{key}{REASONS}" for key in dict.fromkeys(map(_controller, wanted))]
    first_ms, last_ms = int(start * 1000 // 1), int(-(-end * 1000 // 1))
    groups = _groups(table.metadata, names.index(TIME), first_ms / 1000, last_ms / 1000)
    for batch in table.iter_batches(
        batch_size=rows, row_groups=groups, columns=[TIME, *wanted, *telling]
    ):
        time = batch.column(TIME).to_numpy(zero_copy_only=False)
        time_ms = np.round(time * 1000)
        inside = (time_ms >= first_ms) & (time_ms < last_ms)
        if not inside.any():
            continue
        values = np.full((len(time), len(points)), np.nan)
        reasons = np.full(values.shape, Reason.NOT_READ_YET, dtype=np.uint8)
        for name in wanted:
            values[:, place[name]] = batch.column(name).to_numpy(zero_copy_only=False)
        for name in telling:
            own = [n for n in names if n.startswith(f"{name.removesuffix(REASONS)}.")]
            texts = [str(text or "") for text in batch.column(name).to_pylist()]
            codes = codes_told(texts, [n.partition(".")[2] for n in own])
            for k, point in enumerate(own):
                if point in place:
                    reasons[:, place[point]] = codes[:, k]
        yield Block(time[inside], values[inside], reasons[inside])


def _controller(point: str) -> str:
    return point.partition(".")[0]


def _groups(known: Any, column: int, start: float, end: float) -> list[int]:
    """Row groups that may hold rows of the span, by what the file says of their times."""
    found = []
    for number in range(known.num_row_groups):
        times = known.row_group(number).column(column).statistics
        apart = (
            times is not None
            and times.has_min_max
            and not (start - 1 < times.max and times.min < end + 1)
        )
        if not apart:
            found.append(number)
    return found
