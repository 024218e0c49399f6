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
WITHIN = 0.8
"""Share of the limit below which a difference that was beyond it is over, while nothing is learnt:
sound transducers may differ by nearly the limit for good, and learning waits for this."""
KNOWN_SPEEDS = 3.0
"""Learnt deviations of the squared output within which the loop is on known ground."""


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
        self._minute_away: Floats = np.zeros(n)
        """By how much the minute before alone was away, Pa; with its side as its sign."""
        self._unknown: Floats = np.zeros(n)
        """Pa by which the places may part because the loop runs as it never did before."""

    def step(
        self, time: float, difference: Floats, drive: Floats, away: Floats, limit: Floats,
        picture: Picture,
    ) -> None:  # fmt: skip
        """Take in one minute's (T,) differences, NaN where not running, settled and good.

        drive: (T,) squared output. away: (T,) share by which the loop's pressure is surely away
        from what was learnt. limit: (T,) Pa, expanded uncertainty of a difference, used where
        nothing is learnt yet.
        """
        there = np.isfinite(difference)
        left = picture.unexplained(RUNNING, difference, zeroed(drive))
        ready = picture.ready()[RUNNING]
        _smooth(self.smooth, difference, there, QUICK)
        _smooth(self._left, left, there & ready, QUICK)
        self._unknown = self._unknown_ground(drive, away, picture)
        begin = there & ready & np.isnan(self._days)
        self._days[begin] = 0.0
        follow = there & ready & ~self.changed
        self._days[follow] += DAYS * (left - self._days)[follow]
        z, k = self._whitened(left, picture)
        self.cusum.step(time, np.where(ready, z, np.nan), k)
        self.h = np.array([threshold(round(float(v), 3), self._arl0) for v in k])
        real = self.cusum.signal(self.h)
        self._cap()
        away = np.copysign(self._excess(difference, left, picture), left)
        sudden = there & ready & real & self._twice(away)
        bound = np.where(ready, self.matters, limit)
        over = there & self.changed & self._back(away, bound, picture)
        self._minute_away = np.where(there, away, self._minute_away)
        # A step is over when two minutes agree, there or back: nothing is left to be smoothed.
        new = (sudden & ~self.changed) | over
        self.smooth[new], self._left[new] = difference[new], left[new]
        beyond = self.excess(picture)
        found = np.where(ready, real & (beyond >= self.matters), beyond >= limit)
        gone = there & (beyond < np.where(ready, self.matters / 2, WITHIN * limit))
        self.changed = ~gone & (self.changed | (there & found))
        self.cusum.clear(gone & real)

    def _twice(self, away: Floats) -> Bools:
        """(T,) where this minute and the one before were both away, to the same side."""
        both = np.minimum(np.abs(away), np.abs(self._minute_away)) >= self.matters
        out: Bools = both & (np.sign(away) == np.sign(self._minute_away))
        return out

    def _back(self, away: Floats, bound: Floats, picture: Picture) -> Bools:
        """(T,) where this minute and the one before were sound, and far from what is smoothed."""
        both = np.maximum(np.abs(away), np.abs(self._minute_away)) < bound / 2
        out: Bools = both & (self.excess(picture) - np.abs(away) >= bound)
        return out

    def excess(self, picture: Picture) -> Floats:
        """(T,) Pa by which the smoothed difference lies outside what was learnt or is allowed."""
        return self._excess(self.smooth, self._left, picture)

    def _excess(self, difference: Floats, left: Floats, picture: Picture) -> Floats:
        """(T,) Pa: the same of any difference and its unexplained part."""
        low, high = picture.low[RUNNING], picture.high[RUNNING]
        of_places = np.abs(difference) - self.place
        of_learnt = np.maximum(left - high, low - left) - self._unknown
        # Where the places may differ, either explanation will do; else what was learnt alone.
        beyond = np.where(self.place > 0, np.minimum(of_learnt, of_places), of_learnt)
        count = picture.count[RUNNING]
        swing = (high - low) * np.where(count < A_DAY, 2.0, 1.0)
        sudden = np.where(count < HOURS, 0.0, np.abs(left - self._days) - swing - self._unknown)
        beyond = np.where(picture.ready()[RUNNING], np.fmax(beyond, sudden), of_places)
        out: Floats = zeroed(np.maximum(beyond, 0.0))
        return out

    def _unknown_ground(self, drive: Floats, away: Floats, picture: Picture) -> Floats:
        """(T,) Pa by which the places may part because the loop runs as it never did before.

        Friction between two places goes with the square of flow, and so with the pressure that
        drives it and, at one pressure, with the squared output: the whole difference may change
        as these do, and so may the part that the output explained.
        """
        mean = picture.drive[RUNNING]
        known = np.maximum(picture.count[RUNNING], 1.0)
        sd = np.sqrt(picture.drive_square[RUNNING] / known)
        outside = zeroed(np.maximum(np.abs(drive - mean) - KNOWN_SPEEDS * sd, 0.0))
        whole = np.abs(picture.difference[RUNNING])
        by_output = np.maximum(np.abs(picture.slope()[RUNNING]), whole / np.maximum(mean, 1e-12))
        out: Floats = outside * by_output + away * whole
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
        self._unknown[which] = self._minute_away[which] = 0.0

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


def _smooth(mean: Floats, value: Floats, which: Bools, weight: float) -> None:
    """Move the means of `which` (N,) towards their values; the first value is taken as it is."""
    start = which & np.isnan(mean)
    mean[start] = value[start]
    mean[which] += weight * (value - mean)[which]
