"""A history to export from, small and busy, and ways to read an export back."""

from __future__ import annotations

import csv
import gzip
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from gateway.export.export import export_file
from gateway.export.order import ordered
from gateway.measure.blocks import Block, Readings
from gateway.plant.site import Site
from gateway.record.opening import FILE
from gateway.record.store import open_store
from tests.record.made import START, finding, plant, rows

SECONDS = 4000
"""Over the end of an hour, so that a part is rolled up and a part is not."""


def recorded(folder: Path, here: Site | None = None) -> tuple[Site, Block, Readings]:
    """A history of noise with failed reads at any place, and a finding."""
    here = here or plant(third=True)
    block, readings = rows(here, SECONDS)
    with open_store(folder, here) as store:
        for first in range(0, SECONDS, 500):
            part = slice(first, first + 500)
            readings_of = Readings(**{k: v[part] for k, v in vars(readings).items()})
            happened = (finding(),) if first == 0 else ()
            store.write([(block.rows(part.start, part.stop), readings_of)], happened)
    return here, block, readings


def exported(folder: Path, site: Site, kind: str, name: str, **asked: Any) -> Path:
    """A file with an export of the history in `folder`."""
    file = folder / name
    export_file(site, ordered(site, kind, **asked), folder / FILE, file)
    return file


def cells(file: Path) -> list[dict[str, str]]:
    """Rows of a CSV file by column."""
    opened: Any = gzip.open if file.suffix == ".gz" else open
    with opened(file, "rt", newline="", encoding="utf-8") as text:
        return list(csv.DictReader(text))


def column(found: Sequence[dict[str, str]], name: str) -> list[str]:
    return [row[name] for row in found]


__all__ = ["SECONDS", "START", "cells", "column", "exported", "recorded"]
