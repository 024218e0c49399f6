"""A history as a gateway has it that has run for a while."""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np

from gateway.measure.blocks import Block, Floats
from gateway.measure.measure import Measure
from gateway.plant.site import Site
from gateway.record import rollup
from gateway.record.store import open_store

from .counting import TRANSDUCERS, counts

PIECE = 3600
"""Rows in a commit."""
GAP_S = 5.0
"""Between the newest of them and now."""


def fill(state: Path, here: Site, hours: float, interval_s: float = 1.0) -> int:
    """Rows of that many hours up to now in the history file, minutes and hours too; how many."""
    rows = round(3600 * hours / interval_s)
    start = time.time() - GAP_S - rows * interval_s
    measure = Measure(here)
    with open_store(state, here) as store:
        for begin in range(0, rows, PIECE):
            at = np.arange(begin, min(rows, begin + PIECE))
            values: Floats = np.empty((len(at), TRANSDUCERS + 1))
            values[:, :TRANSDUCERS] = [counts(int(k)) for k in at]
            values[:, TRANSDUCERS] = at
            time_s: Floats = start + interval_s * at.astype(np.float64)
            block = Block(time_s, values, np.zeros(values.shape, dtype=np.uint8))
            store.write([(block, measure.examine(block))])
            store.do(rollup.roll, round(1000 * float(time_s[-1])))
    return rows
