"""Why a cell is empty: its point is not in the file, was not due, or the read failed.

A file does not say which. A controller whose interval is longer than the pace of the rows is
not due until its interval is over. Else an empty cell is a failed read: no communication when the
whole controller is empty in that row, a bad reply when its other points came.
"""

from __future__ import annotations

import numpy as np

from gateway.measure.blocks import Block, Bools, Codes, Floats
from gateway.measure.quality import Reason
from gateway.plant.site import Site


class Gaps:
    """Makes blocks of rows of values; remembers when each controller was last asked."""

    def __init__(self, site: Site, there: Bools) -> None:
        """there: (P,) points that the file has."""
        sizes = [len(c.points) for c in site.controllers.values()]
        ends = np.cumsum(sizes).tolist()
        self._parts = [slice(e - n, e) for e, n in zip(ends, sizes, strict=True)]
        self._interval = [c.interval_s for c in site.controllers.values()]
        self._there = there
        self._asked: list[float] = [-np.inf] * len(self._parts)
        self._time = np.nan

    def block(self, time: Floats, values: Floats) -> Block:
        """(R,) times and (R, P) values with NaN for empty cells, as a block with reasons."""
        empty = np.isnan(values)
        reasons = np.where(empty, np.uint8(Reason.BAD_REPLY), np.uint8(Reason.NONE))
        pace = np.diff(time, prepend=self._time if np.isfinite(self._time) else time[0])
        for k, part in enumerate(self._parts):
            mine = self._there[part]
            if mine.any():
                silent: Bools = np.all(empty[:, part] | ~mine, axis=1)
                self._mark(k, time, pace, silent, reasons[:, part])
        reasons[:, ~self._there] = Reason.NOT_READ_YET
        self._time = float(time[-1])
        return Block(time, values, reasons.astype(np.uint8))

    def _mark(self, k: int, time: Floats, pace: Floats, silent: Bools, reasons: Codes) -> None:
        reasons[silent] = Reason.NO_COMMUNICATION
        asked = self._asked[k]
        if (self._interval[k] <= 1.5 * pace[pace > 0]).all():
            self._asked[k] = float(time[-1])  # due in every row
            return
        for row in range(len(time)):
            wait = self._interval[k] - pace[row] / 2
            if silent[row] and time[row] - asked < wait:
                reasons[row] = Reason.NOT_DUE
            else:
                asked = float(time[row])
        self._asked[k] = asked
