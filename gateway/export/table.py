"""A table on its way out: named columns, and slices so small that any span fits in memory."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

from gateway.measure.blocks import Floats
from gateway.measure.columns import Ints

Kind = Literal["time", "seconds", "number", "exact", "count", "text"]
"""time: shown as a date; seconds: since 1970, every bit; number: measured, a few digits will do;
exact: every bit; count: whole; text: words."""
Cells: TypeAlias = Floats | Ints | Sequence[str]
"""(n,) one column of a slice: floats (NaN: nothing there), whole numbers, or texts."""
CELLS = 200_000
"""Cells in a slice at most: some tens of megabytes while it is turned into text."""
MOST_ROWS = 20_000


@dataclass(frozen=True)
class Column:
    """unit: of numbers, "" where they have none. about: what it holds, for a stranger."""

    name: str
    kind: Kind
    unit: str = ""
    about: str = ""


@dataclass(frozen=True)
class Slice:
    """At least one row, in order of time; the first column holds the times."""

    cells: tuple[Cells, ...]

    @property
    def rows(self) -> int:
        """How many."""
        return len(self.cells[0])

    @property
    def first(self) -> float:
        """Seconds since 1970."""
        return float(self.cells[0][0])

    @property
    def upto(self) -> float:
        """Seconds since 1970, of the last row."""
        return float(self.cells[0][-1])


Ends: TypeAlias = tuple[float, float] | None
"""Seconds since 1970 of the first and last row, None when there is nothing."""


@dataclass(frozen=True)
class Table:
    """slices(connection): the rows, asked in short questions of a reader's connection.

    ends(connection): between which times there is anything at all.
    """

    columns: tuple[Column, ...]
    slices: Callable[[sqlite3.Connection], Iterator[Slice]]
    ends: Callable[[sqlite3.Connection], Ends]


def ends_of(table: str) -> Callable[[sqlite3.Connection], Ends]:
    """`Table.ends` of a table of the history file with a column time_ms."""

    def ends(connection: sqlite3.Connection) -> Ends:
        first, last = (
            connection.execute(f"SELECT {which}(time_ms) FROM {table}").fetchone()[0]  # noqa: S608 - own table names
            for which in ("min", "max")
        )
        return None if first is None or last is None else (first / 1000, last / 1000)

    return ends


def rows_per_slice(columns: int) -> int:
    """How many rows are looked at together."""
    return max(1, min(MOST_ROWS, CELLS // max(1, columns)))


def in_unit(name: str, unit: str) -> str:
    """A column's name with its unit, for headers that travel alone."""
    return f"{name} [{unit}]" if unit else name
