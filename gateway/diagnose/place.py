"""Where a reading stands: beside its peers, and beside what it was itself."""

from __future__ import annotations

import numpy as np

from gateway.measure.blocks import Bools, Floats
from gateway.measure.columns import Ints, TransducerColumns
from gateway.measure.hold import zeroed
from gateway.measure.uncertainty import COVERAGE, standard_uncertainty

from .picture import RUNNING
from .texture import Look, middle
from .usual import Usual

RIGHT, NEAR = 2.0, 6.0
"""Deviations from the usual difference within which it reads rightly, and within which it and its
peers measure the same pressure."""
END = 0.02
"""Share of span near an end of the range where a reading can't be told from a pinned one."""
LOOKED_BACK, BEFORE = 10, 3
"""Stretches remembered, and those that it takes at most to see that the noise is lost."""


class Place:
    """(T,) places; deviations are in usual standard deviations of single rows."""

    def __init__(self, t: TransducerColumns) -> None:
        n = len(t.ids)
        self._t = t
        self.away: Floats = np.zeros(n)
        """Reading less the usual one beside these peers."""
        self.was_right: Bools = np.ones(n, dtype=np.bool_)
        """It read rightly in the stretch before."""
        self.fall: Floats = np.zeros(n)
        """Reading less what it was some stretches before it lost its noise."""
        self._owns: Floats = np.full((LOOKED_BACK, n), np.nan)
        self._once: Floats = np.full(n, np.nan)
        self._highest: Floats = np.full(n, -np.inf)

    @property
    def near(self) -> Bools:
        """(T,) where it and its peers measure the same pressure."""
        out: Bools = np.abs(self.away) < NEAR
        return out

    @property
    def never_above(self) -> Bools:
        """(T,) where its peers never called for less than it reads since it lost its noise."""
        out: Bools = self._highest < 0
        return out

    def step(self, look: Look, state: Ints, told: Bools, usual: Usual) -> None:
        """Take in one stretch of `told` (T,)."""
        at = np.maximum(state, 0), np.arange(len(state))
        sd = np.maximum(np.sqrt(usual.around[at]), self._t.resolution)
        self.was_right = np.abs(self.away) < RIGHT
        fresh = told & usual.ready()[at]
        self.away = np.where(fresh, (look.gap - usual.gap[at]) / sd, self.away)

    def compare(self, look: Look, running: Bools, dull: Ints, usual: Usual) -> None:
        """Compare with what was before; dull: (T,) stretches since the noise was lost."""
        self._highest = np.where(dull > 0, np.maximum(self._highest, self.away), -np.inf)
        self._once = np.where(running & (dull == 1), middle(self._owns[BEFORE:]), self._once)
        self._owns[:, running] = np.roll(self._owns, 1, axis=0)[:, running]
        self._owns[0, running] = look.own[running]
        sd = np.maximum(np.sqrt(usual.around[RUNNING]), self._t.resolution)
        self.fall = zeroed((look.own - self._once) / sd)

    def odd(self, time: float, look: Look) -> Bools:
        """(T,) at an end of the range, or reading nothing while the peers do not."""
        share = (look.own - self._t.lrv) / self._t.span
        limit = COVERAGE * standard_uncertainty(np.array([time]), self._t)[0]
        nothing = (np.abs(look.own) <= limit) & (np.abs(look.peers) > 4 * limit)
        out: Bools = (share <= END) | (share >= 1 - END) | nothing
        return out

    def forget(self, which: Bools) -> None:
        """Start again with `which` (T,)."""
        self.away[which] = self.fall[which] = 0.0
        self._owns[:, which] = self._once[which] = np.nan
        self._highest[which] = -np.inf
