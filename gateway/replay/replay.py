"""From scans to findings, by the code that runs live, and findings as lines of JSON."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

import numpy as np

from gateway.diagnose.diagnose import Diagnosis
from gateway.diagnose.findings import Finding
from gateway.measure.blocks import Block, Readings
from gateway.measure.measure import Measure
from gateway.plant.site import Site
from gateway.views import finding_view

from .csvfile import csv_blocks
from .parquetfile import parquet_blocks

PARQUET = (".parquet", ".pq")
LINE = ("time", "phase", "fault", "loop", "transducer", "status", "confidence", "evidence")
"""What a line begins with; the rest of the finding follows."""


def file_blocks(
    file: Path, site: Site, progress: Callable[[float], None] | None = None
) -> Iterator[Block]:
    """Blocks of a scans file: Parquet by its name's ending, else CSV, gzipped or not."""
    parquet = file.suffix.lower() in PARQUET
    return (parquet_blocks if parquet else csv_blocks)(file, site, progress)


def between(blocks: Iterable[Block], start: float, end: float) -> Iterator[Block]:
    """The rows from `start` up to `end` (seconds since 1970)."""
    for block in blocks:
        first, last = np.searchsorted(block.time, (start, end)).tolist()
        if last > first:
            yield block.rows(first, last)
        if last < len(block):
            return


def replay(site: Site, blocks: Iterable[Block]) -> Iterator[tuple[Readings, tuple[Finding, ...]]]:
    """Readings and findings of one block after the other, as the live gateway would have them."""
    measure = Measure(site)
    diagnosis = Diagnosis(site, measure.columns)
    for block in blocks:
        readings = measure.examine(block)
        yield readings, diagnosis.examine(readings)


def line(finding: Finding) -> str:
    """One finding as a line of JSON, without the line end."""
    view = finding_view(finding).model_dump(mode="json")
    view["loop"] = finding.loops[0] if finding.loops else None
    ordered = {key: view[key] for key in LINE} | view
    return json.dumps(ordered, ensure_ascii=False)
