"""The command `loopwitness replay`: its words, and nothing that takes long to load."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from gateway import logs
from gateway.plant.sitefile import read_site

WIDE = 160
"""Columns when standard error is no terminal, so that no line is folded."""


def replay(
    file: Annotated[Path, typer.Argument(metavar="SITE", help="The site file (TOML).")],
    scans: Annotated[
        Path | None,
        typer.Argument(metavar="[SCANS]", help="CSV (also .gz) or Parquet; or a folder."),
    ] = None,
    history: Annotated[
        Path | None,
        typer.Option(metavar="STATE_DIR", help="Instead of SCANS: a gateway's own history."),
    ] = None,
    start: Annotated[
        str | None, typer.Option("--from", metavar="TIME", help="First time, UTC.")
    ] = None,
    end: Annotated[
        str | None, typer.Option("--to", metavar="TIME", help="Time to stop before, UTC.")
    ] = None,
    out: Annotated[
        Path | None, typer.Option(metavar="FINDINGS", help="Findings file; left out: printed.")
    ] = None,
    plot: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Also write a page (.html) that shows it.")
    ] = None,
) -> None:
    """Diagnose recorded scans as if they came live.

    SCANS may be a folder, such as `archive` in the state folder: its files in the order of their
    names. A file has a first column `time` (ISO 8601 or seconds since 1970, UTC), then columns
    `controller.point` with decoded register values; an empty cell is a failed read, and a column
    `controller reasons` may tell why, as `export` does. Findings come as lines of JSON, each at the
    time at which the live gateway would have said it. A summary goes to standard error.
    """
    from .order import Order, run_replay  # noqa: PLC0415 (loads for seconds; `--help` needs it not)

    logs.configure("text", "error")
    width = None if sys.stderr.isatty() else WIDE
    errors = Console(stderr=True, width=width, markup=False, highlight=False, emoji=False)
    run_replay(read_site(file), Order(scans, history, start, end, out, plot), errors)
