"""Scans from a Parquet file, as blocks; needs the optional extra `parquet`."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from math import inf
from pathlib import Path
from typing import Any

import numpy as np

from gateway.errors import Fault, StartError
from gateway.measure.blocks import Block, Floats
from gateway.plant.faults import shown
from gateway.plant.site import Site

from .csvfile import ALLOWED_TIME, check_rising, rows_per_block, seconds, take_told, timely
from .gaps import Gaps
from .header import Header, ScansError

try:
    import pyarrow as pa
    from pyarrow import parquet
except ImportError:  # an extra: everything else works without it
    pa = parquet = None


def check_parquet(name: str) -> None:
    """StartError when the extra is not installed; name: the file that needs it."""
    if parquet is None:
        raise StartError(
            f"{name}: Parquet needs pyarrow, which is not installed; "
            'allowed: pip install "loopwitness[parquet]", or the same scans as CSV'
        )


def parquet_blocks(
    file: Path, site: Site, progress: Callable[[float], None] | None = None
) -> Iterator[Block]:
    """Blocks of a Parquet file with the columns of the CSV form; times may also be timestamps.

    progress: told the share of the rows that have been read. ScansError as for CSV; StartError
    when the extra is not installed.
    """
    check_parquet(str(file))
    try:
        with parquet.ParquetFile(file) as table:
            for block, share in _blocks(str(file), table, site):
                if progress:
                    progress(share)
                yield block
    except OSError as error:
        fault = Fault("file", error.strerror or str(error), "a readable Parquet file")
        raise ScansError(str(file), [fault]) from None
    except pa.ArrowException as error:
        fault = Fault("file", shown(str(error)), "a Parquet file")
        raise ScansError(str(file), [fault]) from None


def _blocks(file: str, table: Any, site: Site) -> Iterator[tuple[Block, float]]:
    header = Header(site, file, table.schema_arrow.names)
    if faults := [
        Fault(
            f"column {number}",
            f"{column.name} is of type {column.type}",
            "numbers, null for a failed read",
        )
        for number, column in enumerate(table.schema_arrow, 1)
        if number - 1 in header.values and not _numeric(column.type)
    ]:
        raise ScansError(file, faults)
    gaps, before, done = Gaps(site, header.there), -inf, 0
    for batch in table.iter_batches(batch_size=rows_per_block(len(header.there))):
        time = _time(file, batch.column(0), done)
        values = np.full((len(time), len(header.there)), np.nan)
        for k, place in zip(header.values, header.place.tolist(), strict=True):
            values[:, place] = batch.column(k).cast(pa.float64()).to_numpy(zero_copy_only=False)
        places = [f"row {done + k}" for k in range(1, len(time) + 1)]
        check_rising(file, time, before, places)
        _finite(file, header, values, done)
        done, before = done + len(time), float(time[-1])
        block = gaps.block(time, values)
        for k in header.telling:
            texts = [str(text or "") for text in batch.column(k).to_pylist()]
            take_told(file, header, block, k, texts, places)
        yield block, done / table.metadata.num_rows


def _numeric(kind: Any) -> bool:
    types = pa.types
    numbers = types.is_integer(kind) or types.is_floating(kind) or types.is_decimal(kind)
    return bool(numbers or types.is_boolean(kind) or types.is_null(kind))


def _time(file: str, column: Any, done: int) -> Floats:
    """(R,) seconds since 1970."""
    types, kind = pa.types, column.type
    if types.is_timestamp(kind):
        # Whole microseconds fit a float exactly, so that times agree with those of CSV.
        whole = column.cast(pa.timestamp("us", kind.tz), safe=False).cast(pa.int64())
        time = whole.cast(pa.float64(), safe=False).to_numpy(zero_copy_only=False) / 1e6
    elif types.is_integer(kind) or types.is_floating(kind):
        time = column.cast(pa.float64(), safe=False).to_numpy(zero_copy_only=False)
    elif types.is_string(kind) or types.is_large_string(kind):
        time = np.array([_seconds(cell) for cell in column.to_pylist()])
    else:
        raise ScansError(file, [Fault("column 1", f"time is of type {kind}", ALLOWED_TIME)])
    bad = np.flatnonzero(~timely(np.asarray(time, dtype=np.float64)))
    if len(bad):
        value = shown(column[int(bad[0])].as_py())
        raise ScansError(file, [Fault(f"row {done + int(bad[0]) + 1}, time", value, ALLOWED_TIME)])
    return np.asarray(time, dtype=np.float64)


def _seconds(cell: str | None) -> float:
    try:
        return seconds(cell or "")
    except ValueError:
        return np.nan


def _finite(file: str, header: Header, values: Floats, done: int) -> None:
    names = [header.names[k] for k in header.values]
    faults = [
        Fault(f"row {done + row + 1}, {name}", str(values[row, place]), "a finite number or null")
        for place, name in zip(header.place.tolist(), names, strict=True)
        for row in np.flatnonzero(np.isinf(values[:, place]))[:1].tolist()
    ]
    if faults:
        raise ScansError(file, faults)
