"""Scans straight from the gateway's own history, archived days among them."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path

from gateway.errors import StoreError
from gateway.measure.blocks import Block
from gateway.plant.site import Site
from gateway.record.opening import FILE, is_damage, reader

from .archived import FOLDER, ends, kept_blocks
from .csvfile import FIRST, LAST, rows_per_block


def history_blocks(
    folder: Path,
    site: Site,
    progress: Callable[[float], None] | None = None,
    *,
    start: float = FIRST,
    end: float = LAST,
) -> Iterator[Block]:
    """Blocks recorded in a state folder from `start` up to `end` (seconds since 1970).

    Points that were not recorded are "not read yet". StoreError when no history can be read.
    """
    file = folder / FILE
    if not file.is_file():
        raise StoreError(
            f"{file}: not there; allowed: a folder in which a gateway kept its history"
        )
    points = [f"{c}.{p}" for c, noun in site.controllers.items() for p in noun.points]
    archive = folder / FOLDER
    try:
        with reader(file) as connection:
            if (known := ends(connection, archive)) is None:
                return
            first, last = max(known[0], start), min(known[1], end)
            rows = rows_per_block(len(points))
            for block in kept_blocks(connection, archive, start, end, rows, points=points):
                if progress:
                    progress(min(1.0, (float(block.time[-1]) - first) / max(1.0, last - first)))
                yield block
    except sqlite3.Error as error:
        allowed = "; allowed: a file that is whole" if is_damage(error) else ""
        raise StoreError(f"{file}: {error}{allowed}") from error
