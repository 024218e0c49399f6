"""Which transducer moved first: sudden steps, seen row by row.

When one transducer of a controlled loop jumps, its own reading moves within a scan or two, the
others only follow as the fan answers. So the one that moved is the one that changed.
"""

from __future__ import annotations

from math import exp

import numpy as np

from gateway.measure.blocks import Bools, Floats, Readings
from gateway.measure.columns import Columns, by_size
from gateway.measure.quality import Quality

from .minutes import peers

ROWS_BACK = 3
FORGET_S = 900.0
"""Time in which an old jump fades against a new one."""
LOUD = 6.0
"""Times the usual step from row to row that a jump must make."""
QUICK, MOST = 0.1, 2.0
"""Weight of a minute in the usual step, and the most that it may count, as a share of it: a jump
must not make itself usual."""


class Jumps:
    """(T,) time and size (Pa, own step minus the peers') of the largest recent jump."""

    def __init__(self, columns: Columns) -> None:
        n = len(columns.transducers.ids)
        self._groups = by_size(columns.loops)
        self._tail: Floats = np.full((ROWS_BACK, n), np.nan)
        self.time: Floats = np.full(n, -np.inf)
        self.size: Floats = np.zeros(n)
        self.least: Floats = columns.transducers.tolerance / 2
        """(T,) Pa: smaller steps are not looked at."""
        self.usual: Floats = np.full(n, np.nan)
        """(T,) Pa: root mean square of the steps from row to row."""

    def rows(self, readings: Readings) -> tuple[Floats, Bools]:
        """(R, T) step over the last rows beyond the peers', and where it is a jump."""
        good = readings.quality < Quality.BAD
        value = np.where(good, readings.pressure, np.nan)
        whole = np.concatenate([self._tail, value])
        self._tail = whole[-ROWS_BACK:]
        own = whole[ROWS_BACK:] - whole[:-ROWS_BACK]
        others = peers(own, np.isfinite(own), self._groups)
        step = own - others
        return step, (np.abs(step) > self.least) & (np.abs(own) > 2 * np.abs(others))

    def hear(self, rough: Floats) -> None:
        """Take in a minute's (T,) root mean square of successive differences, Pa."""
        fresh = np.isnan(self.usual)
        self.usual[fresh] = rough[fresh]
        known = np.isfinite(rough)
        self.usual[known] += QUICK * (np.minimum(rough, MOST * self.usual) - self.usual)[known]

    def take(self, time: float, step: Floats, jumped: Bools) -> None:
        """Remember one row's (T,) jumps."""
        for k in np.flatnonzero(jumped & (np.abs(step) >= LOUD * self.usual)):
            faded = abs(self.size[k]) * exp(-(time - self.time[k]) / FORGET_S)
            if abs(step[k]) >= faded:
                self.time[k], self.size[k] = time, step[k]
