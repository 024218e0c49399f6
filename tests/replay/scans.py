"""Hours of the simulated plant with everything in them that a replay meets, written as files."""

from __future__ import annotations

import csv
import gzip
import json
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
from pyarrow import parquet

from gateway.demo.control import demo_site_path
from gateway.demo.history import simulate
from gateway.diagnose.diagnose import Diagnosis
from gateway.measure.blocks import Block
from gateway.measure.measure import Measure
from gateway.measure.quality import Reason
from gateway.plant.site import Site
from gateway.plant.sitefile import read_site
from gateway.record.store import open_store
from gateway.replay.replay import line, replay

START = 1_780_272_000.0
INTERVAL_S = 10.0
HOUR = int(3600 / INTERVAL_S)
SLOW = {"sf-2": 10.0, "ahu-1": 10.0, "ef-4": 30.0}


@lru_cache
def archive() -> Site:
    """Harbour Street Archive, polled every 10 s, the exhaust's drive every 30 s."""
    site = read_site(demo_site_path())
    controllers = {
        k: c.model_copy(update={"interval_s": SLOW[k]}) for k, c in site.controllers.items()
    }
    return site.model_copy(update={"controllers": controllers})


def refs(site: Site) -> list[str]:
    """Points in file order."""
    return [f"{c}.{p}" for c, noun in site.controllers.items() for p in noun.points]


@lru_cache
def history() -> Block:
    """Four hours: a zero that shifts, a broken wire, failed reads, a pause, a dead link."""
    site = archive()
    faults = [
        (2.5 * 3600, "zero-shift", "dp-201", 15.0),
        (3.2 * 3600, "open-circuit", "dp-402", None),
        (3.6 * 3600, "no-communication", "ahu-1", None),
    ]
    whole = simulate(site, seed=7, seconds=4 * 3600, interval_s=INTERVAL_S, faults=faults)
    some = [refs(site).index(f"ahu-1.{p}") for p in ("ai1_counts", "ai2_counts")]
    whole.values[HOUR : HOUR + 20, some] = np.nan
    whole.reasons[HOUR : HOUR + 20, some] = Reason.BAD_REPLY
    kept = np.r_[0 : 2 * HOUR, 2 * HOUR + 12 : len(whole)]
    return Block(whole.time[kept], whole.values[kept], whole.reasons[kept])


@lru_cache
def direct() -> tuple[str, ...]:
    """What the live gateway would have said of it: one block, no file in between."""
    site = archive()
    measure = Measure(site)
    diagnosis = Diagnosis(site, measure.columns)
    return tuple(line(f) for f in diagnosis.examine(measure.examine(history())))


def replayed(blocks: Iterable[Block], site: Site | None = None) -> tuple[str, ...]:
    """Lines of a replay."""
    return tuple(line(f) for _, found in replay(site or archive(), blocks) for f in found)


def said(lines: Iterable[str]) -> list[tuple[str, str, str]]:
    """Phase, fault and subject of each line."""
    return [(d["phase"], d["fault"], d["transducer"] or "") for d in map(json.loads, lines)]


def iso(when: float) -> str:
    return datetime.fromtimestamp(when, UTC).isoformat().replace("+00:00", "Z")


def rows(
    block: Block, *, words: bool = False, order: Sequence[int] | None = None
) -> list[list[str]]:
    """Cells of a CSV file; words: times as ISO 8601."""
    places = list(range(block.values.shape[1])) if order is None else list(order)
    return [
        [iso(t) if words else repr(t)]
        + ["" if np.isnan(v) else repr(v) for v in values[places].tolist()]
        for t, values in zip(block.time.tolist(), block.values, strict=True)
    ]


def write_csv(file: Path, names: Sequence[str], cells: Iterable[Sequence[str]]) -> Path:
    """A CSV file, gzipped when its name ends in .gz."""
    opened: Any = gzip.open if file.suffix == ".gz" else open
    with opened(file, "wt", newline="", encoding="utf-8") as text:
        writer = csv.writer(text)
        writer.writerow(names)
        writer.writerows(cells)
    return file


def write_parquet(file: Path, block: Block, names: Sequence[str], times: Any = None) -> Path:
    """A Parquet file; empty cells are nulls; times: an array of another type."""
    columns = {"time": pa.array(block.time) if times is None else times}
    for k, name in enumerate(names):
        columns[name] = pa.array(block.values[:, k], mask=np.isnan(block.values[:, k]))
    parquet.write_table(pa.table(columns), file, row_group_size=500)
    return file


def write_history(folder: Path, site: Site, block: Block) -> Path:
    """A gateway's own history of these rows, written in parts as live."""
    measure = Measure(site)
    with open_store(folder, site) as store:
        for start in range(0, len(block), 97):
            part = block.rows(start, start + 97)
            store.write([(part, measure.examine(part))])
    return folder
