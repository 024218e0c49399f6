"""Rows on which the controller's value lies off the line it should follow.

A line that holds is left for good when somebody changes a setting, for a moment when the pressure
moves between two reads, and at an end when the controller clamps what it shows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from gateway.measure.blocks import Bools, Floats
from gateway.measure.columns import Ints

OFF = 2.0
"""% of span (of what is shown, for a steeper line) beside the line (common practice)."""
SKEW = 1.5
"""Times the pressure's step from row to row that a value read a moment later may be beside."""
SURE = 5
"""Last rows of a minute that must all be off before the line is given up."""


@dataclass(frozen=True)
class Rule:
    """(T,) line and how far from it is off; NaN gain: no line, nothing is off."""

    gain: Floats
    offset: Floats
    gain_se: Floats
    middle: Floats
    step: Floats
    """Smallest step that the controller's value can show, % of span."""

    def replaced(
        self, which: Bools, gain: Floats | float, offset: Floats | float,
        gain_se: Floats | float, middle: Floats,
    ) -> Rule:  # fmt: skip
        """Another line for the transducers `which` (T,)."""
        return Rule(
            np.where(which, gain, self.gain),
            np.where(which, offset, self.offset),
            np.where(which, gain_se, self.gain_se),
            np.where(which, middle, self.middle),
            self.step,
        )


class OffLine:
    """Counts over the unfinished minute, (T,)."""

    def __init__(self, n: int) -> None:
        self.rows: Ints = np.zeros(n, dtype=np.int64)
        self.off: Ints = np.zeros(n, dtype=np.int64)
        self.run: Ints = np.zeros(n, dtype=np.int64)
        """Rows off since the last one on the line."""
        self._x = np.stack([np.full(n, np.inf), np.full(n, -np.inf)])
        self._y = self._x.copy()

    def take(self, x: Floats, y: Floats, moved: Floats, good: Bools, rule: Rule) -> None:
        """Take in (r, T) rows: true and shown values and the true one's last step, % of span."""
        steep = np.abs(rule.gain)
        far = steep * (SKEW * moved) + 4 * rule.gain_se * np.abs(x - rule.middle)
        may = OFF * np.maximum(1.0, steep) + rule.step + far
        off = good & (np.abs(y - rule.gain * x - rule.offset) > may)
        number = np.arange(1, len(x) + 1)[:, None]
        last_on = np.where(good & ~off, number, 0).max(axis=0, initial=0)
        since = (off & (number > last_on)).sum(axis=0)
        self.run = np.where(last_on > 0, 0, self.run) + since
        self.rows += good.sum(axis=0)
        self.off += off.sum(axis=0)
        for ends, value in ((self._x, x), (self._y, y)):
            np.fmin(ends[0], np.where(off, value, np.inf).min(axis=0, initial=np.inf), out=ends[0])
            np.fmax(ends[1], np.where(off, value, -np.inf).max(axis=0, initial=-np.inf),
                    out=ends[1])  # fmt: skip

    def clamped(self, rule: Rule) -> Bools:
        """(T,) where all that was off is one and the same value while the true one moved."""
        moved = (self._x[1] - self._x[0]) * np.abs(rule.gain)
        out: Bools = (self.off > 0) & (self._y[0] == self._y[1]) & (moved > 2 * rule.step)
        return out

    def broken(self) -> Bools:
        """(T,) where the minute ends off the line."""
        out: Bools = (self.run > 0) & (self.run >= np.minimum(SURE, self.rows))
        return out

    def next(self) -> None:
        """Begin a new minute."""
        self.rows[:] = self.off[:] = self.run[:] = 0
        self._x[0], self._x[1] = np.inf, -np.inf
        self._y[0], self._y[1] = np.inf, -np.inf
