"""A small site with every kind of column, and rows for it; the numbers are invented."""

from __future__ import annotations

import numpy as np

from gateway.diagnose.findings import Finding, Status
from gateway.measure.blocks import Block, Floats, Readings
from gateway.measure.measure import Measure
from gateway.measure.quality import Reason
from gateway.plant.site import Site
from tests.sites import site, transducer

START = 1_780_000_200.0
"""30 minutes and 0 seconds past an hour, so that hours and minutes close inside short tests."""


def plant(*, third: bool = False) -> Site:
    """Two transducers and a loop with all four reported quantities; with a third, a second loop."""
    points = {
        "c1": {"table": "input", "address": 0},
        "c2": {"table": "input", "address": 1},
        "c3": {"table": "input", "address": 2},
        "feedback": {"table": "holding", "address": 0, "type": "float32", "unit": "Pa"},
        "setpoint": {"table": "holding", "address": 2, "type": "float32", "unit": "inH2O"},
        "output": {"table": "holding", "address": 4, "scale": 0.01, "unit": "Hz"},
        "running": {"table": "holding", "address": 5, "bit": 0},
    }
    transducers = {"p1": transducer("a.c1"), "p2": transducer("a.c2")}
    reported = {name: f"a.{name}" for name in ("feedback", "setpoint", "output", "running")}
    loops = {"stair": {"transducers": ["p1", "p2"], "combine": "average", **reported}}
    if third:
        transducers["p3"] = transducer("a.c3")
        loops["lobby"] = {"transducers": ["p3"], "combine": "single"}
    return site(transducers, loops, {"a": {"host": "127.0.0.1", "points": points}})


def rows(
    here: Site, count: int, *, start: float = START, step: float = 1.0, seed: int = 0
) -> tuple[Block, Readings]:
    """Busy rows: noise, failed reads, signals in every band."""
    chance = np.random.default_rng(seed)
    points = sum(len(controller.points) for controller in here.controllers.values())
    values: Floats = chance.integers(3000, 30000, (count, points)).astype(np.float64)
    reasons = np.zeros(values.shape, dtype=np.uint8)
    failed = chance.random(values.shape) < 0.1
    values[failed] = np.nan
    reasons[failed] = Reason.NO_COMMUNICATION
    time: Floats = start + step * np.arange(count, dtype=np.float64)
    block = Block(time, values, reasons)
    return block, Measure(here).examine(block)


def finding(
    subject: str = "p1", phase: str = "raised", *, since: float = START, time: float = START
) -> Finding:
    """An open circuit at a transducer."""
    return Finding(
        fault="open-circuit",
        kind="transducer",
        subject=subject,
        phase="raised" if phase == "raised" else "cleared",
        time=time,
        since=since,
        status=Status.FAILURE,
        confidence=0.98,
        title=f"Open circuit at {subject}",
        evidence={"signal_mA": 0.02, "low_mA": float("nan"), "band": "failure low"},
        rivals=("device-failure-signal",),
        next_check="Measure the loop current in series at the input.",
        consequence="The loop holds on the other transducer alone.",
        transducer=subject,
        loops=("stair",),
    )
