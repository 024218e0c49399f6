"""Has the difference between a transducer and its peers changed? Real and large enough to matter.

Real: a CUSUM on whitened minute differences, its threshold from the wanted time between false
alarms (one loop-year unless set otherwise) and the autocorrelation learnt on the loop itself.
Large enough: the smoothed difference has left, by a share of the tolerance, what was seen while
learning and what the places allow; or it has left its own mean of the last days by more than any
swing seen while learning, since seasons do not come within hours.
"""

from __future__ import annotations

import numpy as np

from gateway.measure.blocks import Bools, Floats
from gateway.measure.columns import Columns

from .picture import RUNNING, Picture
from .sequential import Cusum, threshold

LOOP_YEAR_MINUTES = 525_960.0
SHARE = 0.5
"""Share of the tolerance from which a change matters."""
QUICK = 0.25
"""Weight of a minute in the smoothed difference: half of a step is seen after 2.4 minutes."""
LEAST_SD = 1e-3
"""Floor of a learnt deviation, as a share of tolerance: a dead-quiet simulation or register."""
LARGEST_K = 2.0
DAYS = 1 / 2880
"""Weight of a minute in the mean of the last days."""
A_DAY = 1440.0
"""Minutes learnt from which on the swing of a day is known."""


class Shifts:
    """(T,) tests side by side, fed with one running and settled minute after the other."""

    def __init__(self, columns: Columns, arl0: float = LOOP_YEAR_MINUTES) -> None:
        t = columns.transducers
        n = len(t.ids)
        self._arl0 = arl0
        loops = columns.loops
        place = np.where(loops.has, loops.place_difference[:, None], 0.0)
        self.place: Floats = place.max(axis=0, initial=0.0)
        self.matters: Floats = SHARE * t.tolerance
        self.cusum = Cusum(n)
        self.h: Floats = np.full(n, np.inf)
        self.smooth: Floats = np.full(n, np.nan)
        """Smoothed difference, Pa."""
        self._days: Floats = np.full(n, np.nan)
        self.changed: Bools = np.zeros(n, dtype=np.bool_)
        self._before: Floats = np.full(n, np.nan)

    def step(self, time: float, difference: Floats, limit: Floats, picture: Picture) -> None:
        """Take in one minute's (T,) differences, NaN where not running, settled and good.

        limit: (T,) Pa, expanded uncertainty of a difference, used where nothing is learnt yet.
        """
        there = np.isfinite(difference)
        start = there & np.isnan(self.smooth)
        self.smooth[start] = difference[start]
        self.smooth[there] += QUICK * (difference - self.smooth)[there]
        ready = picture.ready()[RUNNING]
        begin = there & ready & np.isnan(self._days)
        self._days[begin] = picture.difference[RUNNING][begin]
        follow = there & ~self.changed
        self._days[follow] += DAYS * (difference - self._days)[follow]
        z, k = self._whitened(difference, picture)
        self.cusum.step(time, np.where(ready, z, np.nan), k)
        self.h = np.array([threshold(round(float(v), 3), self._arl0) for v in k])
        real = self.cusum.signal(self.h)
        self._cap()
        away = self.excess(picture)
        found = np.where(ready, real & (away >= self.matters), away >= limit)
        gone = there & (away < np.where(ready, self.matters, limit) / 2)
        self.changed = ~gone & (self.changed | (there & found))
        self.cusum.clear(gone & real)

    def excess(self, picture: Picture) -> Floats:
        """(T,) Pa by which the smoothed difference lies outside what was learnt or is allowed."""
        ready = picture.ready()[RUNNING]
        low = np.where(ready, np.fmin(picture.low[RUNNING], -self.place), -self.place)
        high = np.where(ready, np.fmax(picture.high[RUNNING], self.place), self.place)
        # Without a place difference the learnt range alone counts, not zero.
        low = np.where(ready & (self.place == 0), picture.low[RUNNING], low)
        high = np.where(ready & (self.place == 0), picture.high[RUNNING], high)
        beyond = np.maximum(self.smooth - high, low - self.smooth)
        swing = picture.high[RUNNING] - picture.low[RUNNING]
        sudden = np.abs(self.smooth - self._days) - swing
        sudden[picture.count[RUNNING] < A_DAY] = 0.0
        beyond = np.fmax(beyond, sudden)
        out: Floats = np.nan_to_num(np.maximum(beyond, 0.0))
        return out

    def shift(self, picture: Picture) -> Floats:
        """(T,) Pa: smoothed difference minus the learnt one (minus nothing where none is)."""
        ready = picture.ready()[RUNNING]
        return self.smooth - np.where(ready, picture.difference[RUNNING], 0.0)

    def forget(self, which: Bools) -> None:
        """Start again for the transducers `which` (T,)."""
        self.cusum.clear(which)
        self.smooth[which] = np.nan
        self.changed[which] = False
        self._before[which] = self._days[which] = np.nan

    def _whitened(self, difference: Floats, picture: Picture) -> tuple[Floats, Floats]:
        """(T,) residuals in standard deviations after the lag-one correlation, and (T,) k."""
        phi = picture.phi()[RUNNING]
        sd = np.fmax(picture.sd()[RUNNING], LEAST_SD * self.matters)
        x = difference - picture.difference[RUNNING]
        before = np.where(np.isnan(self._before), x, self._before)
        self._before = x.copy()
        scale = sd * np.sqrt(1 - phi**2)
        k = np.minimum(self.matters * (1 - phi) / scale / 2, LARGEST_K)
        return (x - phi * before) / scale, np.maximum(k, 0.05)

    def _cap(self) -> None:
        """Keep sums near the threshold, so that they come down when the change is gone."""
        np.minimum(self.cusum.up, 3 * self.h, out=self.cusum.up)
        np.minimum(self.cusum.down, 3 * self.h, out=self.cusum.down)
