"""A table as CSV (RFC 4180, UTF-8, lines that end in a line feed), slice by slice."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator
from io import StringIO
from math import isnan

import numpy as np

from gateway.measure.blocks import Floats

from .table import Cells, Column, Slice, Table

DIGITS = 7
"""Significant digits of a measured number; the input cards have five."""
STARTS_A_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")
"""A spreadsheet takes a text that begins so for a formula; the last four are the wide forms."""


def csv_text(table: Table, slices: Iterable[Slice]) -> Iterator[bytes]:
    """The header, then the rows of each slice."""
    yield (",".join(_cell(column.name) for column in table.columns) + "\n").encode()
    for part in slices:
        columns = [_texts(c, cells) for c, cells in zip(table.columns, part.cells, strict=True)]
        yield "".join(",".join(row) + "\n" for row in zip(*columns, strict=True)).encode()


def _texts(column: Column, cells: Cells) -> list[str]:
    if column.kind == "text":
        known = {text: _cell(text) for text in set(map(str, cells))}
        return [known[str(text)] for text in cells]
    numbers = np.asarray(cells)
    if column.kind == "time":
        return dates(numbers)
    if column.kind == "count":
        return [str(number) for number in numbers.tolist()]
    if column.kind == "number":
        return ["" if isnan(v) else f"{v:.{DIGITS}g}" for v in numbers.tolist()]
    return ["" if isnan(v) else repr(v) for v in numbers.tolist()]


def dates(time: Floats) -> list[str]:
    """ISO 8601 in UTC, to the millisecond, of seconds since 1970."""
    stamps = np.round(time * 1000).astype("datetime64[ms]")
    return list(map(str, np.datetime_as_string(stamps, unit="ms", timezone="UTC").tolist()))


def _cell(text: str) -> str:
    """A text as a cell: quoted where it must be, and never a formula.

    An apostrophe in front makes a spreadsheet show the text as it stands.
    """
    harmless = f"'{text}" if text.startswith(STARTS_A_FORMULA) else text
    out = StringIO()
    csv.writer(out).writerow([harmless])  # its own line end, so that it quotes those in the text
    written = out.getvalue().removesuffix("\r\n")
    return "" if written == '""' else written
