"""How fast a transducer drifts, with its interval, and when it leaves its tolerance.

Theil-Sen: the median of all slopes, with the confidence interval by ranks (scipy.stats).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf

import numpy as np
from scipy.stats import theilslopes

from gateway.measure.blocks import Floats

DAY_S = 86400.0
KEPT = 500
"""Points kept a transducer: when full, every second one goes and the pace halves."""


@dataclass(frozen=True)
class Rate:
    """Pa a day with its 95 % interval; days until the shift passes `tolerance`, inf for never."""

    per_day: float
    low: float
    high: float
    days_left: float


def rate(time: Floats, value: Floats, tolerance: float) -> Rate | None:
    """The drift rate of (n,) values in Pa at (n,) seconds; None with fewer than 8 of them."""
    if len(time) < 8:
        return None
    slope, _, low, high = theilslopes(value, (time - time[0]) / DAY_S, 0.95)
    now = float(np.median(value[-5:]))
    left = inf
    if slope and (low > 0 or high < 0):
        left = max(0.0, (np.copysign(tolerance, slope) - now) / slope)
    return Rate(float(slope), float(low), float(high), float(left))


class Trail:
    """Thinned history of the smoothed shift of every transducer."""

    def __init__(self, n: int, every_s: float = 600.0) -> None:
        self._every: Floats = np.full(n, every_s)
        self._next: Floats = np.full(n, -np.inf)
        self._points: list[list[tuple[float, float]]] = [[] for _ in range(n)]

    def add(self, time: float, shift: Floats) -> None:
        """Take in (n,) shifts; NaN and anything sooner than the pace is passed over."""
        for k in np.flatnonzero(np.isfinite(shift) & (time >= self._next)):
            points = self._points[k]
            points.append((time, float(shift[k])))
            if len(points) >= KEPT:
                del points[::2]
                self._every[k] *= 2
            self._next[k] = time + self._every[k]

    def of(self, k: int) -> tuple[Floats, Floats]:
        """Times and shifts kept of transducer k."""
        array = np.array(self._points[k], dtype=np.float64).reshape(-1, 2)
        return array[:, 0], array[:, 1]

    def forget(self, k: int) -> None:
        """Start again for transducer k."""
        self._points[k] = []
        self._next[k] = -np.inf
