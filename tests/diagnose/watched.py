"""A watched loop for tests: two transducers, the controller's own values, set point, output.

Everything is given as arrays over rows one second apart; the numbers are invented.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import Any

import numpy as np

from gateway.diagnose.diagnose import Diagnosis
from gateway.diagnose.findings import Finding
from gateway.measure.blocks import Block, Floats
from gateway.measure.measure import Measure
from gateway.plant.site import Site
from tests.sites import block, counts_for, site, transducer

START = 1_780_000_020.0
"""A whole minute."""
DOOR = {"width_m": 0.91, "height_m": 2.13, "closer_N": 40, "force_limit_N": 133}


def watched(
    value: dict[str, Any] | None = None,
    loop: dict[str, Any] | None = None,
    **changes: Any,
) -> Site:
    """One controller, one averaging loop "stair" of p1 and p2 (-25..100 Pa), output 15..60 Hz.

    value: changes to the points of the controller's own values; loop: to the loop; the rest: to
    both transducers.
    """
    own = {"table": "holding", "type": "float32", "unit": "Pa"} | (value or {})
    names = ("feedback", "setpoint", "output", "running")
    points: dict[str, Any] = {f"c{k}": {"table": "input", "address": k} for k in (1, 2)}
    points |= {f"v{k}": own | {"address": 10 + 2 * k} for k in (1, 2)}
    points |= {
        name: {"table": "holding", "address": 30 + 2 * k, "type": "float32", "unit": "Pa"}
        for k, name in enumerate(names)
    }
    points["output"]["unit"] = "Hz"
    points["running"]["unit"] = ""
    pair = {f"p{k}": transducer(f"a.c{k}", controller_value=f"a.v{k}", **changes) for k in (1, 2)}
    noun = {"transducers": ["p1", "p2"], "combine": "average", "output_range": [15, 60]}
    noun |= {name: f"a.{name}" for name in names} | (loop or {})
    return site(pair, {"stair": noun}, {"a": {"host": "127.0.0.1", "points": points}})


def air(rows: int, level: float | Floats = 50.0, seed: int = 1, noise: float = 0.6) -> Floats:
    """A pressure, Pa: level, a slow wander, and noise with a memory of two seconds."""
    rng = np.random.default_rng(seed)
    kicks = rng.normal(0, noise, rows)
    fast, slow = np.zeros(rows), np.zeros(rows)
    for k in range(1, rows):
        fast[k] = 0.6 * fast[k - 1] + 0.8 * kicks[k]
        slow[k] = 0.99 * slow[k - 1] + 0.15 * kicks[-k]
    return np.asarray(level + fast + slow, dtype=np.float64)


def polled(
    here: Site,
    pressure: tuple[Floats, Floats],
    *,
    shown: tuple[Floats, Floats] | None = None,
    feedback: Floats | None = None,
    setpoint: float | Floats = 50.0,
    output: float | Floats = 38.0,
    running: float | Floats = 1.0,
) -> Block:
    """What was polled; the controller is right in everything that is not given."""
    counts = [counts_for((p + 25) / 1.25) for p in pressure]
    right = [-25 + 125 * (c * 24 / 30000 - 4) / 16 for c in counts]
    own = [np.asarray(v) for v in (shown or right)]
    rows = len(counts[0])
    columns = {
        "a.c1": counts[0], "a.c2": counts[1], "a.v1": own[0], "a.v2": own[1],
        "a.feedback": (own[0] + own[1]) / 2 if feedback is None else feedback,
        "a.setpoint": np.broadcast_to(setpoint, rows),
        "a.output": np.broadcast_to(output, rows),
        "a.running": np.broadcast_to(running, rows),
    }  # fmt: skip
    return block(here, columns, start=START)


def told(here: Site, whole: Block, edges: Sequence[int] = ()) -> list[Finding]:
    """Findings from a block, cut at the edges."""
    measure = Measure(here)
    diagnosis = Diagnosis(here, measure.columns)
    cuts = sorted({0, len(whole), *edges})
    found: list[Finding] = []
    for a, b in itertools.pairwise(cuts):
        found += diagnosis.examine(measure.examine(whole.rows(a, b)))
    return found


def said(found: Sequence[Finding]) -> list[tuple[str, str, str]]:
    """(fault, subject, phase) of every event."""
    return [(f.fault, f.subject, f.phase) for f in found]
