"""A door is pushed by the pressure that is there, not by what a broken wire makes of it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from gateway.diagnose.findings import Finding, Status
from gateway.live import Live, Snapshot
from gateway.measure.quality import Reason
from gateway.web.board import Board
from gateway.web.frame import Framing
from gateway.web.now import DoorView, LoopNow, Now

from .archive import START, open_circuit, with_door
from .feeder import readings

WHOLE = 74.5
"""Pa that the transducer reads which is sound."""
FORCE = 40 + 0.91 * 0.91 * 2.13 * WHOLE / (2 * (0.91 - 0.075))
"""N: closer + W A p / 2 (W - d), form of NYC BC 909.6.2 with A = W H."""


def clock() -> float:
    return START


def stair(first: float, second: float, why: Reason, findings: tuple[Finding, ...]) -> LoopNow:
    """Stair B while dp-201 and dp-202 read this; `why`: what is wrong with the first."""
    site = with_door()
    pressures = np.zeros(len(site.transducers))
    for key, value in (("dp-201", first), ("dp-202", second)):
        pressures[list(site.transducers).index(key)] = value
    row = readings(site, START, pressures, reasons={"dp-201": why})
    live = Live(site)
    live.show(Snapshot(0, START, row, findings, {}))
    return Now(live, Framing(live, clock, "", Board(live, clock))).loop("stair-b")


def door(loop: LoopNow) -> DoorView:
    assert loop.door is not None
    return loop.door


def test_all_sound() -> None:
    loop = stair(WHOLE, WHOLE, Reason.NONE, ())
    assert door(loop).force_N == pytest.approx(FORCE, abs=0.1)
    assert loop.without == []
    assert loop.believed == loop.combined == WHOLE


def test_a_broken_wire_takes_nothing_off_the_force() -> None:
    """0 mA is -56 Pa here, and the average 9 Pa."""
    loop = stair(-56.25, WHOLE, Reason.FAILURE_LOW, ())
    assert door(loop).force_N == pytest.approx(FORCE, abs=0.1)
    assert loop.without == ["dp-201"]
    assert loop.believed == WHOLE


@pytest.mark.parametrize(
    ("status", "without"),
    [(Status.FAILURE, ["dp-201"]), (Status.MAINTENANCE_REQUIRED, [])],
)
def test_a_tube_that_is_off_neither(status: Status, without: list[str]) -> None:
    """Its zero is a good signal: only the finding tells."""
    found = replace(open_circuit(), fault="tube-off", subject="dp-201", status=status)
    loop = stair(0.0, WHOLE, Reason.NONE, (found,))
    assert loop.without == without
    left = 1.0 if without else 0.5
    assert door(loop).force_N == pytest.approx(40 + (FORCE - 40) * left, abs=0.1)


def test_nothing_to_believe() -> None:
    loop = stair(math.nan, math.nan, Reason.NO_COMMUNICATION, ())
    assert door(loop).force_N is None
    assert loop.believed is None
