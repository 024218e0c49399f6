"""From scans to findings, by the code that runs live, and findings as lines of JSON."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator
from math import inf
from pathlib import Path

import numpy as np

from gateway.diagnose.diagnose import Diagnosis
from gateway.diagnose.findings import Finding
from gateway.errors import Fault
from gateway.measure.blocks import Block, Readings
from gateway.measure.measure import Measure
from gateway.plant.site import Site
from gateway.views import finding_view

from .archived import day_of, merged
from .csvfile import csv_blocks
from .dayfile import of_another_time, other_file_blocks
from .header import ScansError
from .parquetfile import parquet_blocks

PARQUET = (".parquet", ".pq")
CSV = (".csv", ".csv.gz")
DATE = len("2026-05-28")
LINE = ("time", "phase", "fault", "loop", "transducer", "status", "confidence", "evidence")
"""What a line begins with; the rest of the finding follows."""


def file_blocks(
    file: Path, site: Site, progress: Callable[[float], None] | None = None
) -> Iterator[Block]:
    """Blocks of a scans file: Parquet by its name's ending, else CSV, gzipped or not.

    Or of every such file in a folder, an archive for one, by the order of their names. A Parquet
    file that this program wrote may have points that the site has no more; another may not.
    """
    if file.is_dir():
        return _folder_blocks(file, site, progress)
    if file.suffix.lower() not in PARQUET:
        return csv_blocks(file, site, progress)
    other = of_another_time(file, site)
    return (other_file_blocks if other else parquet_blocks)(file, site, progress)


def _folder_blocks(
    folder: Path, site: Site, progress: Callable[[float], None] | None
) -> Iterator[Block]:
    """A row that is not later than those before it has been in an earlier file: it is left out.

    Files of one day of an archive are read side by side, for a later one may fill gaps of another.
    """
    files = sorted(f for f in folder.iterdir() if f.name.lower().endswith((*PARQUET, *CSV)))
    if not files:
        fault = Fault(
            "folder", "no scans in it", f"files that end in {', '.join((*PARQUET, *CSV))}"
        )
        raise ScansError(str(folder), [fault])
    days: dict[str, list[Path]] = {}
    for file in files:
        days.setdefault(file.name[:DATE] if day_of(file.name) else file.name, []).append(file)
    last = -inf
    for number, day in enumerate(days.values()):

        def share(done: float, before: int = number) -> None:
            if progress:
                progress((before + done) / len(days))

        for block in merged([file_blocks(file, site, share) for file in day]):
            first = int(np.searchsorted(block.time, last, side="right"))
            if first < len(block):
                last = float(block.time[-1])
                yield block.rows(first, len(block))


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
