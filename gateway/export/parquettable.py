"""A table as Parquet; needs the optional extra `parquet`.

Units and descriptions stand with each column, the site in the schema's metadata.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import IO, Any

import numpy as np

from gateway.errors import StartError
from gateway.measure.blocks import Floats
from gateway.replay.header import OWN

from .table import Cells, Column, Slice, Table

try:
    import pyarrow as pa
    from pyarrow import parquet
except ImportError:  # an extra: everything else works without it
    pa = parquet = None

GROUP_CELLS = 1_000_000
"""Cells in a row group, roughly: some megabytes."""


def has_parquet() -> bool:
    """Whether the extra is installed."""
    return parquet is not None


def check_parquet(name: str) -> None:
    """StartError when the extra is not installed; name: what was asked for."""
    if not has_parquet():
        raise StartError(
            f"{name}: Parquet needs pyarrow, which is not installed; "
            'allowed: pip install "loopwitness[parquet]", or CSV'
        )


def write_parquet(
    file: IO[bytes], table: Table, slices: Iterable[Slice], about: Mapping[str, Any]
) -> None:
    """Write the table to an open file or pipe; never more than a row group in memory."""
    schema = pa.schema(
        [_field(column) for column in table.columns],
        metadata={OWN: json.dumps(about, ensure_ascii=False)},
    )
    limit = max(1, GROUP_CELLS // len(table.columns))
    waiting, rows = [], 0
    with parquet.ParquetWriter(pa.PythonFile(file, mode="w"), schema, compression="zstd") as out:
        for part in slices:
            arrays = [
                _array(field, column, cells)
                for field, column, cells in zip(schema, table.columns, part.cells, strict=True)
            ]
            waiting.append(pa.record_batch(arrays, schema=schema))
            rows += part.rows
            if rows >= limit:
                out.write_table(pa.Table.from_batches(waiting), row_group_size=rows)
                waiting, rows = [], 0
        if waiting:
            out.write_table(pa.Table.from_batches(waiting), row_group_size=rows)


def column_of(file: Path, name: str) -> Floats:
    """(n,) numbers of one column of a file; OSError or ValueError when it cannot be read."""
    try:
        table = parquet.read_table(file, columns=[name])
        numbers: Floats = table.column(name).cast(pa.float64()).to_numpy()
    except (pa.ArrowException, KeyError) as error:
        raise ValueError(f"{file}: {error}") from error
    return numbers


def _field(column: Column) -> Any:
    kinds = {
        "time": pa.timestamp("ms", tz="UTC"),
        "count": pa.int64(),
        "text": pa.dictionary(pa.int32(), pa.string()),
    }
    about = {"description": column.about} | ({"unit": column.unit} if column.unit else {})
    return pa.field(column.name, kinds.get(column.kind, pa.float64()), metadata=about)


def _array(field: Any, column: Column, cells: Cells) -> Any:
    if column.kind == "text":
        return pa.array(cells, pa.string()).dictionary_encode().cast(field.type)
    numbers = np.asarray(cells)
    if column.kind == "time":
        return pa.array(np.round(numbers * 1000).astype(np.int64)).cast(field.type)
    return pa.array(numbers, field.type, mask=np.isnan(numbers))
