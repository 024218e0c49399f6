"""Pressures for the plot, thinned while they pass: least, mean and greatest of each bucket.

Buckets are spans of absolute time. When there are too many of them their width doubles, so a
year and an hour take the same room.
"""

from __future__ import annotations

import numpy as np

from gateway.measure.blocks import Floats, Readings

MOST = 4000
"""Buckets at most."""
FIRST_WIDTH_S = 1.0


class Trace:
    """S series over buckets; feed it readings of one block after the other."""

    def __init__(self, width_s: float = FIRST_WIDTH_S, most: int = MOST) -> None:
        self.width_s = width_s
        self._most = most
        self._bucket: Floats = np.empty(0)
        """(B,) number of each bucket: its start is number x width."""
        self._sums: Floats = np.empty((2, 0, 0))
        """(count and sum, B, S)."""
        self._ends: Floats = np.empty((2, 0, 0))
        """(low and high, B, S)."""

    def add(self, readings: Readings) -> None:
        """Take in a block."""
        values = np.concatenate(
            [readings.pressure, readings.combined, readings.feedback, readings.setpoint], axis=1
        )
        there = np.isfinite(values)
        sums = np.stack([there.astype(np.float64), np.where(there, values, 0.0)])
        ends = np.stack([np.where(there, values, np.inf), np.where(there, values, -np.inf)])
        self._merge(np.floor(readings.time / self.width_s), sums, ends)
        while len(self._bucket) > self._most:
            self.width_s *= 2
            self._merge(np.empty(0), sums[:, :0], ends[:, :0], halve=True)

    def _merge(self, bucket: Floats, sums: Floats, ends: Floats, *, halve: bool = False) -> None:
        mine = np.floor(self._bucket / 2) if halve else self._bucket
        if len(self._bucket):
            bucket = np.concatenate([mine, bucket])
            sums = np.concatenate([self._sums, sums], axis=1)
            ends = np.concatenate([self._ends, ends], axis=1)
        starts = np.flatnonzero(np.diff(bucket, prepend=-np.inf))
        self._bucket = bucket[starts]
        self._sums = np.add.reduceat(sums, starts, axis=1)
        low = np.minimum.reduceat(ends[0], starts, axis=0)
        self._ends = np.stack([low, np.maximum.reduceat(ends[1], starts, axis=0)])

    def series(self) -> tuple[Floats, Floats, Floats, Floats]:
        """(B,) bucket starts in seconds since 1970; (B, S) least, mean, greatest, NaN for none.

        Series in the order: transducers, then combined, feedback and set point of each loop; Pa.
        """
        count, total = self._sums
        none = count == 0
        with np.errstate(invalid="ignore", divide="ignore"):
            mean = total / count
        low, high = (np.where(none, np.nan, end) for end in self._ends)
        return self._bucket * self.width_s, low, mean, high
