"""One export from beginning to end: the table of an order, and its rows into a file or a pipe."""

from __future__ import annotations

import gzip
import json
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, cast

from gateway.errors import StartError, StoreError
from gateway.plant.site import Site
from gateway.record.backup import check_owner
from gateway.record.opening import FILE, reader
from gateway.replay.archived import FOLDER

from .about import BESIDE, about, on_the_web
from .csvtext import csv_text
from .happenings import journal_table
from .order import Order
from .parquettable import check_parquet, write_parquet
from .readings import readings_table
from .rollups import rollup_table
from .scans import scans_table
from .table import Slice, Table
from .unnamed import unnamed

PARQUET = (".parquet", ".pq")
PART = ".part"
"""Ends the name of a file that is not whole yet."""

Progress = Callable[[float, float], None]
"""Told the share that is done, and the time it has come to."""


@dataclass
class Tally:
    """What went out; times of the first and last row in seconds since 1970.

    unnamed: what the history holds of this time and the site file does not name.
    """

    columns: int
    rows: int = 0
    first: float | None = None
    upto: float | None = None
    unnamed: tuple[str, ...] = ()


def table_of(site: Site, order: Order, archive: Path | None = None) -> Table:
    """The table that an order asks for; archive: the folder with days of rows, if there is one."""
    if order.rows == "scans":
        return scans_table(site, order, archive)
    if order.rows == "readings":
        return readings_table(site, order, archive)
    if order.rows == "journal":
        return journal_table(order)
    return rollup_table(site, order)


def export_file(
    site: Site, order: Order, store: Path, file: Path, progress: Progress | None = None
) -> Tally:
    """Write a file: Parquet by its name's ending, else CSV, gzipped when it ends in .gz.

    It stands under its name once it is whole. Beside a CSV file goes what describes it. StartError
    for a place that cannot be written, StoreError for a history that cannot be read.
    """
    part = file.with_name(file.name + PART)
    parquet = file.suffix.lower() in PARQUET
    if parquet:
        check_parquet(str(file))
    try:
        with ExitStack() as stack:
            stack.callback(part.unlink, missing_ok=True)
            out: IO[bytes] = stack.enter_context(part.open("wb"))
            if file.suffix.lower() == ".gz":
                packed = gzip.GzipFile(file.with_suffix("").name, "wb", 6, out)
                out = cast("IO[bytes]", stack.enter_context(packed))
            tally = export_stream(site, order, store, out, parquet=parquet, progress=progress)
            out.close()
            part.replace(file)
        if not parquet:
            beside = description(site, order, file.name)
            file.with_name(file.name + BESIDE).write_text(beside, encoding="utf-8")
    except OSError as error:
        raise StartError(f"{file}: {error.strerror}; allowed: a file that can be written") from None
    return tally


def export_stream(
    site: Site,
    order: Order,
    store: Path,
    out: IO[bytes],
    *,
    parquet: bool,
    progress: Progress | None = None,
) -> Tally:
    """Write rows to an open file or pipe. OSError when that breaks, StoreError as above."""
    if not store.is_file():
        raise StoreError(
            f"{store}: not there; allowed: a folder in which a gateway kept its history ({FILE})"
        )
    table = table_of(site, order, store.parent / FOLDER)
    tally = Tally(columns=len(table.columns))
    try:
        with reader(store) as connection:
            check_owner(connection, store)
            tally.unnamed = unnamed(connection, site, order)
            slices = _counted(table, connection, order, tally, progress)
            if parquet:
                write_parquet(out, table, slices, about(site, order, table, time.time()))
            else:
                for piece in csv_text(table, slices):
                    out.write(piece)
    except sqlite3.Error as error:
        raise StoreError(f"{store}: {error}") from error
    return tally


def description(site: Site, order: Order, name: str) -> str:
    """What describes a CSV file of this order, as JSON."""
    table = table_of(site, order)
    known: dict[str, Any] = about(site, order, table, time.time())
    return json.dumps(on_the_web(name, table, known), ensure_ascii=False, indent=1) + "\n"


def _counted(
    table: Table,
    connection: sqlite3.Connection,
    order: Order,
    tally: Tally,
    progress: Progress | None,
) -> Iterator[Slice]:
    known = table.ends(connection) or (order.start, order.end)
    first, last = max(order.start, known[0]), min(order.end, known[1])
    for part in table.slices(connection):
        tally.rows += part.rows
        tally.first = part.first if tally.first is None else tally.first
        tally.upto = part.upto
        yield part
        if progress:
            progress(min(1.0, (part.upto - first) / max(1.0, last - first)), part.upto)
