"""Whether the fast noise of a transducer has left its usual, and its peers' not.

Compared as logarithms of variances: own less the peers' is steady through doors and fan speeds,
which make all of them lively. Real by a CUSUM whose threshold comes from the wanted time between
false alarms; large enough by its smoothed size; its own and not a peer's doing by its own size.
"""

from __future__ import annotations

from math import log

import numpy as np

from gateway.measure.blocks import Bools, Floats
from gateway.measure.columns import Ints

from .picture import RUNNING
from .sequential import Cusum, threshold
from .usual import Usual

TWICE, THRICE = log(4.0), log(9.0)
"""Nats of variance for two and three times the standard deviation."""
MATTERS = 1 / 20
"""Share of the tolerance from which twice the noise is worth saying; below it, three times."""
LEAST_SD = 0.15
"""Floor of the learnt deviation, nats: a stretch of 60 readings does not tell better."""
LEAST_K, MOST_K, STEP_K = 0.5, 2.0, 0.1
QUICK = 0.5
"""Weight of a stretch in the smoothed change."""
FOUND, MOST = 0.75, 1.4
"""Smoothed change that is believed, and the most that one stretch may count, both in sizes that
matter: it takes two stretches."""


class Roughness:
    """(T,) tests side by side."""

    def __init__(self, tolerance: Floats, arl0: float) -> None:
        n = len(tolerance)
        self._matters = 2 * np.log(np.maximum(MATTERS * tolerance, 1e-9))
        self._arl0 = arl0
        self._cusum = Cusum(n)
        self.beside: Floats = np.zeros(n)
        """Smoothed change of own less peers' noise, where it is its own doing, nats."""
        self.noisy: Bools = np.zeros(n, dtype=np.bool_)
        self.dull: Ints = np.zeros(n, dtype=np.int64)
        """Stretches in a row without the usual noise, the fan running."""

    def step(
        self, time: float, which: Bools, state: Ints, level: Floats, beside: Floats, usual: Usual
    ) -> Bools:
        """Take in one stretch; (T,) where it could be compared.

        level: logarithm of the noise variance, Pa2; beside: that less the peers'.
        """
        at = np.maximum(state, 0), np.arange(len(state))
        change, own = beside - usual.beside[at], level - usual.noise[at]
        told: Bools = which & usual.ready()[at] & np.isfinite(change)
        # Of two that differ, the one whose own noise has changed more is meant.
        mine = (np.sign(own) == np.sign(change)) & (np.abs(own) >= np.abs(change) / 2)
        change = np.where(mine, change, 0.0)
        size = np.where(level >= self._matters, TWICE, THRICE)
        capped = np.clip(change, -MOST * THRICE, MOST * size)
        self.beside[told] += QUICK * (capped - self.beside)[told]
        sd = np.maximum(np.sqrt(usual.spread[at]), LEAST_SD)
        k = np.clip(STEP_K * np.floor(TWICE / (2 * sd) / STEP_K), LEAST_K, MOST_K)
        # With the fan at rest there is little noise to lose.
        z = np.where(state == RUNNING, change / sd, np.maximum(change / sd, 0.0))
        self._cusum.step(time, np.where(told, z, np.nan), k)
        h = np.array([threshold(round(float(v), 1), self._arl0) for v in k])
        self._decide(told, told & (state == RUNNING), size, h)
        np.minimum(self._cusum.up, 2 * h, out=self._cusum.up)
        np.minimum(self._cusum.down, 2 * h, out=self._cusum.down)
        return told

    def forget(self, which: Bools) -> None:
        """Start again with `which` (T,)."""
        self._cusum.clear(which)
        self.beside[which] = 0.0
        self.noisy[which] = False
        self.dull[which] = 0

    def _decide(self, told: Bools, running: Bools, size: Floats, h: Floats) -> None:
        up = (self._cusum.up > h) & (self.beside >= FOUND * size)
        self.noisy = np.where(told, up | self.noisy & (self.beside > size / 3), self.noisy)
        down = (self._cusum.down > h) & (self.beside <= -FOUND * THRICE)
        lost = down | (self.dull > 0) & (self.beside < -THRICE / 3)
        self.dull = np.where(running, np.where(lost, self.dull + 1, 0), self.dull)
