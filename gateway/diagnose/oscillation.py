"""A loop that swings about its set point: hunting.

Load count after Hagglund: half periods whose mean error is more than that of a sine of the least
amplitude are counted, and forgotten over fifty periods (formula from secondary texts, numbers from
memory). Regularity after Thornhill: mean of ten half periods over three times their standard
deviation, above 1 for an oscillation (from memory); here on the crossings of the error itself.
"""

from __future__ import annotations

from math import pi

import numpy as np

from gateway.measure.blocks import Bools, Floats
from gateway.measure.columns import Ints

AMPLITUDE = 2.0
"""% of span from which a swing counts as one: above the noise of a well tuned loop, below what
matters (common practice; the literature has 1 % of span, on a filtered error)."""
FORGET_PERIODS = 50.0
LOADS = 10.0
"""Loads above which a loop hunts; a sustained swing gets there with its 11th half period."""
QUIET_LOADS = 7.0
REGULAR, IRREGULAR = 1.0, 0.8
KEPT = 10
LONGEST_S = 600.0
"""Half periods longer than this are weather, not tuning."""


class Swings:
    """Half periods of L loops, one crossing after the other; interval: (L,) s between polls."""

    def __init__(self, interval: Floats) -> None:
        n = len(interval)
        # Crossings are seen at polls only: intervals are never known better than this.
        self._least_sd: Floats = interval / np.sqrt(6)
        self.loads: Floats = np.zeros(n)
        self.count: Ints = np.zeros(n, dtype=np.int64)
        """Half periods since the beginning."""
        self._half: Floats = np.zeros((KEPT, n))
        self._mean: Floats = np.zeros((KEPT, n))

    def cross(self, which: Ints, half: Floats, area: Floats) -> None:
        """In the loops `which` a half period of `half` seconds ended.

        area: integral of the absolute error over it, % s.
        """
        mean = area / half
        place = self.count[which] % KEPT
        self._half[place, which], self._mean[place, which] = half, mean
        self.count[which] += 1
        load = (mean > 2 / pi * AMPLITUDE) & (half <= LONGEST_S)
        kept = np.minimum(self.count[which], KEPT)
        period = 2 * self._half[:, which].sum(axis=0) / kept
        keep = 1 - half / (FORGET_PERIODS * period)
        self.loads[which] = np.maximum(0.0, self.loads[which] * keep) + load

    def clear(self, which: Bools) -> None:
        """Start again, (L,)."""
        self.loads[which], self.count[which] = 0.0, 0
        self._half[:, which] = self._mean[:, which] = 0.0

    def period(self) -> Floats:
        """(L,) seconds: twice the mean of the half periods kept; NaN without any."""
        kept = np.minimum(self.count, KEPT)
        total = 2 * self._half.sum(axis=0)
        return np.where(kept > 0, total / np.maximum(kept, 1), np.nan)

    def amplitude(self) -> Floats:
        """(L,) % of span, of a sine with the same mean; 0 without any."""
        kept = np.maximum(np.minimum(self.count, KEPT), 1)
        out: Floats = pi / 2 * self._mean.sum(axis=0) / kept
        return out

    def regularity(self) -> Floats:
        """(L,) mean over three standard deviations; 0 until enough half periods are known."""
        sd = np.maximum(self._half.std(axis=0, ddof=1), self._least_sd)
        return np.where(self.count >= KEPT, self._half.mean(axis=0) / (3 * sd), 0.0)
