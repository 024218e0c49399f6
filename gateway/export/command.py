"""The command `loopwitness export`: its words, and nothing that takes long to load."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from gateway import logs
from gateway.plant.sitefile import read_site
from gateway.process import settings

WIDE = 160
"""Columns when standard error is no terminal, so that no line is folded."""


def export(
    site: Annotated[Path, typer.Argument(metavar="SITE", help="The site file (TOML).")],
    file: Annotated[
        Path,
        typer.Argument(metavar="FILE", help="Ends in .csv, .csv.gz, .parquet; -: CSV, printed."),
    ],
    *,
    rows: Annotated[
        str, typer.Option(metavar="ROWS", help="readings, scans, minutes, hours or journal.")
    ] = "readings",
    loop: Annotated[
        list[str] | None, typer.Option(metavar="LOOP", help="Only this; again for several.")
    ] = None,
    transducer: Annotated[
        list[str] | None, typer.Option(metavar="ID", help="Only this; again for several.")
    ] = None,
    start: Annotated[
        str | None, typer.Option("--from", metavar="TIME", help="First time, UTC.")
    ] = None,
    end: Annotated[
        str | None, typer.Option("--to", metavar="TIME", help="Time to stop before, UTC.")
    ] = None,
    state: Annotated[
        Path | None,
        typer.Option(metavar="STATE_DIR", help="A gateway's folder; else LOOPWITNESS_STATE_DIR."),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON for scripts.")] = False,
) -> None:
    """Write what was recorded to a file for other tools, while the gateway runs or not.

    ROWS: readings (value, quality and reason of every series), scans (register values, for
    `replay`), minutes or hours (count, mean, lowest, highest, deviation, worst quality), journal
    (what happened). TIME is ISO 8601 or seconds since 1970. A loop brings its transducers along.
    Days that are in the archive only are read there; their readings are worked out again by SITE.
    Units and all about the site stand in a Parquet file itself, and beside a CSV file in
    FILE-metadata.json.
    """
    from .run import run_export  # noqa: PLC0415 (loads for a second; `--help` needs it not)

    folder = state if state is not None else settings().state_dir
    logs.configure("text", "error")
    width = None if sys.stderr.isatty() else WIDE
    errors = Console(stderr=True, width=width, markup=False, highlight=False, emoji=False)
    words = (rows, loop or [], transducer or [], start, end)
    run_export(read_site(site), words, folder, file, errors, as_json=as_json)
