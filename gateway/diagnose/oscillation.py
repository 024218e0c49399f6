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
    """(L,) half periods, one crossing after the other; interval: (L,) seconds between polls."""

    def __init__(self, interval: Floats) -> None:
        n = len(interval)
        # Crossings are seen at polls only: intervals are never known better than this.
        self._least_sd: Floats = interval / np.sqrt(6)
        self.loads: Floats = np.zeros(n)
        self._half: Floats = np.full((KEPT, n), np.nan)
        self._mean: Floats = np.full((KEPT, n), np.nan)
        self.count: Ints = np.zeros(n, dtype=np.int64)

    def cross(self, half: Floats, area: Floats, which: Bools) -> None:
        """A half period of `half` seconds ended with an absolute error integral `area` (% s)."""
        with np.errstate(invalid="ignore", divide="ignore"):
            mean = area / half
        self._half[:, which] = np.concatenate([self._half[1:], half[None]])[:, which]
        self._mean[:, which] = np.concatenate([self._mean[1:], mean[None]])[:, which]
        load = (mean > 2 / pi * AMPLITUDE) & (half <= LONGEST_S)
        self.count += which
        keep = 1 - half / (FORGET_PERIODS * self.period())
        grown = np.maximum(0.0, self.loads * np.nan_to_num(keep)) + load
        self.loads = np.where(which, grown, self.loads)

    def clear(self, which: Bools) -> None:
        """Start again, (L,)."""
        self.loads[which] = 0.0
        self._half[:, which] = self._mean[:, which] = np.nan
        self.count[which] = 0

    def period(self) -> Floats:
        """(L,) seconds: twice the mean of the half periods kept; NaN without any."""
        seen = np.isfinite(self._half).sum(axis=0)
        total = np.nansum(self._half, axis=0)
        return np.where(seen > 0, 2 * total / np.maximum(seen, 1), np.nan)

    def amplitude(self) -> Floats:
        """(L,) % of span, of a sine with the same mean."""
        seen = np.isfinite(self._mean).sum(axis=0)
        out: Floats = pi / 2 * np.nansum(self._mean, axis=0) / np.maximum(seen, 1)
        return out

    def regularity(self) -> Floats:
        """(L,) mean over three standard deviations; 0 until enough half periods are known."""
        full = np.isfinite(self._half).all(axis=0)
        half = np.where(full, self._half, 1.0)
        sd = half.std(axis=0, ddof=1)
        return np.where(full, half.mean(axis=0) / (3 * np.maximum(sd, self._least_sd)), 0.0)
