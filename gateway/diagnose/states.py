"""Whether a loop's fan runs or stands, minute by minute, and for how long it has."""

from __future__ import annotations

import numpy as np

from gateway.measure.blocks import Bools, Floats
from gateway.measure.columns import Columns

from .minutes import Minutes
from .picture import RUNNING, STOPPED

SETTLED = 3
"""Minutes in one state after which transients are over (common practice)."""
MIXED = -1


class States:
    """(L,) state and its age in minutes, one minute after the other."""

    def __init__(self, columns: Columns) -> None:
        self._low = columns.loops.output_low
        n = len(columns.loops.ids)
        self.state = np.full(n, MIXED)
        self.age: Floats = np.zeros(n)

    def step(self, minutes: Minutes, k: int) -> None:
        """Take in minute k."""
        running = minutes.running[k]
        # Without a running point the output tells; without either the fan is taken to run.
        by_output = np.where(minutes.output[k] <= self._low, 0.0, 1.0)
        running = np.where(np.isnan(running), by_output, running)
        now = np.where(running >= 1.0, RUNNING, np.where(running <= 0.0, STOPPED, MIXED))
        self.age = np.where(now == self.state, self.age + 1, 1.0)
        self.state = now

    def settled(self, state: int) -> Bools:
        """(L,) where the loop has been in `state` long enough."""
        out: Bools = (self.state == state) & (self.age > SETTLED)
        return out
