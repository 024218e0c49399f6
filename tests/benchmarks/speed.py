"""How quick the heart is: history replayed in blocks, and many loops live, a row a second.

Beside it, on the same difference between two transducers, detectors of the library `river`, which
look at one sample after the other and do one thing each.
"""

from __future__ import annotations

import resource
from collections.abc import Callable
from time import perf_counter
from typing import Any

import numpy as np
from river import anomaly, drift

from gateway.demo.control import demo_site_path
from gateway.diagnose.diagnose import Diagnosis
from gateway.measure.blocks import Block, Floats
from gateway.measure.measure import Measure
from gateway.plant.site import Site
from gateway.plant.sitefile import read_site

from .cases import BEGIN, DAY_S
from .copies import beside, copied
from .stage import Stage, alone
from .tables import table

LOOP = "stair-b"
SEED = 11
LIVE_LOOPS, WARM_ROWS, LIVE_ROWS = 1000, 65, 120
"""Loops of two transducers; rows before the clock starts and while it runs: two whole minutes."""
WIDE = ((10, 3600), (100, 600), (1000, 60))
"""Loops side by side, and rows of a block."""
SAMPLES = 20_000


def measure_speed() -> tuple[list[tuple[str, str]], tuple[float, float]]:
    """(What, scans a second) of each way, and seconds of a live row, mean and longest.

    Takes about a minute.
    """
    site = alone(read_site(demo_site_path()), LOOP)
    day = Stage(site, seed=SEED, start=BEGIN).block(2 * DAY_S)
    rows = [replayed(site, day), *(wide(site, day, *how) for how in WIDE), *per_sample(site, day)]
    return rows, live(site, day)


def speed_lines(rows: list[tuple[str, str]], row: tuple[float, float]) -> str:
    """The same as text."""
    mean, worst = row
    words = (
        f"Live, {2 * LIVE_LOOPS} transducers in {LIVE_LOOPS} loops: {1e3 * mean:.1f} ms a row, "
        f"which is {100 * mean:.2f} % of a core at a row a second; longest {1e3 * worst:.0f} ms\n"
        f"Largest memory of this process: {peak_MB():.0f} MB"
    )
    head = f"Speed on one core, {LOOP}, two transducers, a row a second; seed {SEED}"
    return "\n\n".join([head, table(("", "scans a second"), rows), words])


def replayed(site: Site, days: Block) -> tuple[str, str]:
    """The second of two days in one block, all detectors."""
    measure = Measure(site)
    diagnosis = Diagnosis(site, measure.columns)
    half = len(days) // 2
    diagnosis.examine(measure.examine(days.rows(0, half)))
    start = perf_counter()
    diagnosis.examine(measure.examine(days.rows(half, len(days))))
    return "replay, a day a block, every detector", _rate(half, perf_counter() - start)


def wide(site: Site, days: Block, loops: int, rows: int) -> tuple[str, str]:
    """Many loops side by side; scans are rows times loops."""
    many = copied(site, loops)
    measure = Measure(many)
    diagnosis = Diagnosis(many, measure.columns)
    took = 0.0
    for n in range(6):
        block = beside([days.rows(n * rows, (n + 1) * rows)] * loops)
        start = perf_counter()
        diagnosis.examine(measure.examine(block))
        took += perf_counter() - start if n > 1 else 0.0
    return f"{loops} loops in blocks of {rows} rows", _rate(4 * rows * loops, took)


def live(site: Site, days: Block) -> tuple[float, float]:
    """Mean and longest seconds of a row of LIVE_LOOPS loops, one-row blocks."""
    many = copied(site, LIVE_LOOPS)
    measure = Measure(many)
    diagnosis = Diagnosis(many, measure.columns)
    took = []
    for n in range(WARM_ROWS + LIVE_ROWS):
        row = beside([days.rows(n, n + 1)] * LIVE_LOOPS)
        start = perf_counter()
        diagnosis.examine(measure.examine(row))
        took.append(perf_counter() - start)
    return float(np.mean(took[WARM_ROWS:])), max(took[WARM_ROWS:])


def per_sample(site: Site, days: Block) -> list[tuple[str, str]]:
    """Detectors of the library on the difference of the two transducers."""
    pressure = Measure(site).examine(days.rows(0, SAMPLES)).pressure
    difference: Floats = pressure[:, 0] - pressure[:, 1]
    untyped: Any = drift  # constructors without type hints
    page, adwin = untyped.PageHinkley(), untyped.ADWIN()
    trees: Any = anomaly.HalfSpaceTrees(seed=SEED)
    return [
        _one("river PageHinkley, one difference", page.update, difference),
        _one("river ADWIN, one difference", adwin.update, difference),
        _one(
            "river HalfSpaceTrees, one difference",
            lambda x: (trees.score_one({"d": x}), trees.learn_one({"d": x})), difference[:2000],
        ),
    ]  # fmt: skip


def _one(name: str, take: Callable[[float], object], x: Floats) -> tuple[str, str]:
    values = x.tolist()
    start = perf_counter()
    for value in values:
        take(value)
    return name, _rate(len(values), perf_counter() - start)


def peak_MB() -> float:  # noqa: N802 (a unit)
    """Largest resident memory so far."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def _rate(scans: int, seconds: float) -> str:
    return f"{scans / seconds:,.0f}"
