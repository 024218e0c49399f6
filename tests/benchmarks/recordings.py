"""Benchmark (b): recordings of real measurements, read from a folder outside the project."""

from __future__ import annotations

import csv
import gzip
import json
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from gateway.measure.blocks import Bools, Floats


@dataclass(frozen=True)
class Recording:
    """Columns of one file over `time`, seconds from its first row; NaN for an empty cell."""

    time: Floats
    columns: dict[str, Floats]

    def values(self, names: tuple[str, ...]) -> Floats:
        """(R, n) columns side by side."""
        return np.stack([self.columns[name] for name in names], axis=1)

    def rising(self) -> Recording:
        """Without rows whose time does not rise above all before (one source steps back once)."""
        highest = np.maximum.accumulate(self.time)
        kept = np.concatenate([[True], self.time[1:] > highest[:-1]])
        return Recording(self.time[kept], {k: v[kept] for k, v in self.columns.items()})


@lru_cache(maxsize=12)
def read_recording(file: Path) -> Recording:
    """A gzipped CSV with a header and `t_s` first; columns that are no numbers are left out."""
    with gzip.open(file, "rt", encoding="utf-8", newline="") as text:
        head, *rows = csv.reader(text)
    columns = {}
    for name, cells in zip(head, zip(*rows, strict=True), strict=True):
        try:
            columns[name] = np.array([float(c) if c else np.nan for c in cells])
        except ValueError:
            continue
    return Recording(columns.pop("t_s"), columns).rising()


def read_labels(file: Path) -> dict[str, Any]:
    """What stands in a JSON file beside a recording."""
    labels: dict[str, Any] = json.loads(file.read_text(encoding="utf-8"))
    return labels


def robust_sd(x: Floats) -> float:
    """1.4826 times the median absolute deviation, NaN left out."""
    x = x[np.isfinite(x)]
    return 1.4826 * float(np.median(np.abs(x - np.median(x))))


def pauses(time: Floats, pace: float) -> Bools:
    """(R,) rows after a pause of more than three usual steps."""
    out: Bools = np.diff(time, prepend=time[0]) > 3 * pace
    return out
