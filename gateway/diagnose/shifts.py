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
from gateway.measure.hold import zeroed

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
A_DAY, HOURS = 1440.0, 240.0
"""Minutes learnt from which on the swing of a day is known, and may be guessed as double."""


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
        self._left: Floats = np.full(n, np.nan)
        """Smoothed unexplained part, Pa."""
        self._days: Floats = np.full(n, np.nan)
        """Its mean over the last days."""
        self.changed: Bools = np.zeros(n, dtype=np.bool_)
        self._before: Floats = np.full(n, np.nan)

    def step(
        self, time: float, difference: Floats, drive: Floats, limit: Floats, picture: Picture
    ) -> None:
        """Take in one minute's (T,) differences, NaN where not running, settled and good.

        drive: (T,) squared output. limit: (T,) Pa, expanded uncertainty of a difference, used
        where nothing is learnt yet.
        """
        there = np.isfinite(difference)
        left = picture.unexplained(RUNNING, difference, zeroed(drive))
        start = there & np.isnan(self.smooth)
        self.smooth[start] = difference[start]
        self.smooth[there] += QUICK * (difference - self.smooth)[there]
        ready = picture.ready()[RUNNING]
        begin = there & ready & np.isnan(self._left)
        self._left[begin] = left[begin]
        self._left[there & ready] += QUICK * (left - self._left)[there & ready]
        begin = there & ready & np.isnan(self._days)
        self._days[begin] = 0.0
        follow = there & ready & ~self.changed
        self._days[follow] += DAYS * (left - self._days)[follow]
        z, k = self._whitened(left, picture)
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
        low, high = picture.low[RUNNING], picture.high[RUNNING]
        of_places = np.abs(self.smooth) - self.place
        of_learnt = np.maximum(self._left - high, low - self._left)
        # Where the places may differ, either explanation will do; else what was learnt alone.
        beyond = np.where(self.place > 0, np.minimum(of_learnt, of_places), of_learnt)
        count = picture.count[RUNNING]
        swing = (high - low) * np.where(count < A_DAY, 2.0, 1.0)
        sudden = np.where(count < HOURS, 0.0, np.abs(self._left - self._days) - swing)
        beyond = np.where(picture.ready()[RUNNING], np.fmax(beyond, sudden), of_places)
        out: Floats = zeroed(np.maximum(beyond, 0.0))
        return out

    def shift(self, picture: Picture) -> Floats:
        """(T,) Pa: change of the smoothed difference against what was learnt (or against zero)."""
        return np.where(picture.ready()[RUNNING], self._left, self.smooth)

    def forget(self, which: Bools) -> None:
        """Start again for the transducers `which` (T,)."""
        self.cusum.clear(which)
        self.smooth[which] = np.nan
        self.changed[which] = False
        self._before[which] = self._days[which] = self._left[which] = np.nan

    def _whitened(self, x: Floats, picture: Picture) -> tuple[Floats, Floats]:
        """(T,) residuals in standard deviations after the lag-one correlation, and (T,) k."""
        phi = picture.phi()[RUNNING]
        sd = np.fmax(picture.sd()[RUNNING], LEAST_SD * self.matters)
        before = np.where(np.isnan(self._before), x, self._before)
        self._before = x.copy()
        scale = sd * np.sqrt(1 - phi**2)
        k = np.minimum(self.matters * (1 - phi) / scale / 2, LARGEST_K)
        return (x - phi * before) / scale, np.maximum(k, 0.05)

    def _cap(self) -> None:
        """Keep sums near the threshold, so that they come down when the change is gone."""
        np.minimum(self.cusum.up, 3 * self.h, out=self.cusum.up)
        np.minimum(self.cusum.down, 3 * self.h, out=self.cusum.down)
