"""An export on the command line: progress, and what came of it."""

from __future__ import annotations

import sqlite3
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeElapsedColumn

from gateway.errors import Fault, StoreError
from gateway.plant.faults import shown
from gateway.plant.site import Site
from gateway.record.opening import FILE, is_damage
from gateway.tables import print_json
from gateway.views import iso

from .about import BESIDE
from .export import PARQUET, Tally, export_file, export_stream
from .order import OrderError, ordered

ENDINGS = (".csv", ".gz", *PARQUET)
PRINTED = Path("-")
SHOWN = 8
"""So many names are told at most; all of them with --json."""


def run_export(
    site: Site,
    words: tuple[str, list[str], list[str], str | None, str | None],
    folder: Path,
    file: Path,
    errors: Console,
    *,
    as_json: bool = False,
) -> Tally:
    """Export as ordered in words (see `order.ordered`); progress and a summary go to `errors`.

    OrderError, StartError and StoreError say what cannot be used.
    """
    order = ordered(site, *words)
    if file != PRINTED and file.suffix.lower() not in ENDINGS:
        allowed = "a name that ends in .csv, .csv.gz or .parquet, or -"
        raise OrderError(Fault("FILE", shown(str(file)), allowed))
    with _progress(errors) as bar:
        task = bar.add_task("Exporting", total=1.0, when="")

        def progress(share: float, when: float) -> None:
            bar.update(task, completed=share, when=iso(when))

        store = folder / FILE
        with _damage_told():
            if file == PRINTED:
                out = sys.stdout.buffer
                tally = export_stream(site, order, store, out, parquet=False, progress=progress)
                out.flush()
            else:
                tally = export_file(site, order, store, file, progress)
    if as_json and file != PRINTED:
        print_json(_data(file, tally))
    else:
        errors.print(_said(file, tally))
    return tally


@contextmanager
def _damage_told() -> Iterator[None]:
    try:
        yield
    except StoreError as error:
        if isinstance(error.__cause__, sqlite3.Error) and is_damage(error.__cause__):
            raise StoreError(f"{error}; allowed: a file that is whole") from error
        raise


def _data(file: Path, tally: Tally) -> dict[str, Any]:
    parquet = file.suffix.lower() in PARQUET
    return {
        "file": str(file),
        "metadata": None if parquet else f"{file}{BESIDE}",
        "rows": tally.rows,
        "columns": tally.columns,
        "first": None if tally.first is None else iso(tally.first),
        "last": None if tally.upto is None else iso(tally.upto),
        "unnamed": list(tally.unnamed),
    }


def _said(file: Path, tally: Tally) -> str:
    place = "standard output" if file == PRINTED else str(file)
    return f"{_span(place, tally)}{_unnamed(tally.unnamed)}"


def _unnamed(names: tuple[str, ...]) -> str:
    if not names:
        return ""
    which = ", ".join(names[:SHOWN]) + (f" and {len(names) - SHOWN} more" * (len(names) > SHOWN))
    return (
        f"\nLeft out: {which}. The history holds them, but the site file does not name them; "
        "export them with the site file of their time."
    )


def _span(place: str, tally: Tally) -> str:
    if tally.first is None or tally.upto is None:
        return f"{place}: no rows in this time"
    span = f"{iso(tally.first)} to {iso(tally.upto)}"
    return f"{place}: {tally.rows} rows of {tally.columns} columns, {span}"


def _progress(console: Console) -> Progress:
    """Shown on a terminal only."""
    columns = (
        TextColumn("{task.description}"), BarColumn(), TaskProgressColumn(), TimeElapsedColumn(),
        TextColumn("{task.fields[when]}"),
    )  # fmt: skip
    hidden = not console.is_terminal
    return Progress(*columns, console=console, transient=True, disable=hidden)
