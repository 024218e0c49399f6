"""Small sites and blocks for tests; the numbers are invented."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gateway.measure.blocks import Block, Floats
from gateway.measure.quality import Reason
from gateway.plant.site import Site

MA_CARD = {"counts": [0, 30000], "electrical": [0, 24], "unit": "mA", "clamps": True}
V_CARD = {"counts": [0, 27648], "electrical": [0, 10], "unit": "V", "clamps": True}


def transducer(counts: str, **changes: Any) -> dict[str, Any]:
    """A -25..100 Pa transducer with 4-20 mA on a card that shows up to 24 mA."""
    return {
        "counts": counts,
        "signal": "4-20 mA",
        "input": MA_CARD,
        "range": [-25, 100],
        "unit": "Pa",
        "accuracy_pct_span": 1.0,
        "thermal_pct_span_per_K": 0.0,
        "stability_pct_span_per_year": 0.5,
        "calibrated": "2026-01-01",
    } | changes


def site(
    transducers: Mapping[str, Mapping[str, Any]] | None = None,
    loops: Mapping[str, Mapping[str, Any]] | None = None,
    controllers: Mapping[str, Mapping[str, Any]] | None = None,
) -> Site:
    """One controller "a" with two transducers in an averaging loop "stair", or as given."""
    points = {
        "c1": {"table": "input", "address": 0, "type": "uint16"},
        "c2": {"table": "input", "address": 1, "type": "uint16"},
        "c3": {"table": "input", "address": 2, "type": "uint16"},
        "feedback": {"table": "holding", "address": 0, "type": "float32", "unit": "Pa"},
        "setpoint": {"table": "holding", "address": 2, "type": "float32", "unit": "Pa"},
    }
    return Site.model_validate(
        {
            "site": {"id": "test"},
            "controllers": controllers or {"a": {"host": "127.0.0.1", "points": points}},
            "transducers": transducers or {"p1": transducer("a.c1"), "p2": transducer("a.c2")},
            "loops": loops
            if loops is not None
            else {
                "stair": {
                    "transducers": ["p1", "p2"],
                    "combine": "average",
                    "feedback": "a.feedback",
                    "setpoint": "a.setpoint",
                }
            },
        }
    )


def block(
    the_site: Site,
    columns: Mapping[str, Sequence[float] | NDArray[Any]],
    *,
    start: float = 1_780_000_000.0,
    interval: float = 1.0,
    reason: Reason = Reason.NO_COMMUNICATION,
) -> Block:
    """Values by point reference; NaN becomes a failed read with `reason`. Absent points: 0."""
    refs = [f"{c}.{p}" for c, noun in the_site.controllers.items() for p in noun.points]
    rows = len(next(iter(columns.values())))
    values = np.zeros((rows, len(refs)))
    for ref, numbers in columns.items():
        values[:, refs.index(ref)] = numbers
    reasons = np.where(np.isnan(values), reason, Reason.NONE).astype(np.uint8)
    time: Floats = start + interval * np.arange(rows, dtype=np.float64)
    return Block(time, values, reasons)


def counts_for(percent: float | np.ndarray, *, top: float = 30000, top_mA: float = 24) -> Any:
    """Counts of a 4-20 mA signal at a percent of span on MA_CARD."""
    return np.round((4 + 0.16 * np.asarray(percent)) * top / top_mA)
