"""Whether a transducer follows its peers from one stretch of time to the next.

A device that is stuck behind a living input card still shows the card's noise; what it has lost is
every movement that its peers make. Each change from stretch to stretch is weighed: "it follows"
against "it stands still", as a sequential likelihood ratio (Wald's, with Page's reset at zero).
"""

from __future__ import annotations

from math import log

import numpy as np

from gateway.measure.blocks import Bools, Floats
from gateway.measure.columns import Ints

from .texture import Look
from .usual import Usual

LOG_CHI2 = 1.27
"""Mean logarithm of a squared standard normal deviate, with its sign turned."""
MOST, LEAST = 4.0, -6.0
"""Nats that one change can tell."""
LATEST = 3
"""Changes that "stands still now" is told from."""
QUIETER = 1 / 50
"""Share of its usual variance from stretch to stretch below which it stands still."""
WHITE = 9.0
"""Times the variance that its fast noise alone would give; more is movement."""
COUPLED, LOOSE = 0.25, 0.3
"""Usual slope against the peers, row by row, that can be lost, and the share that is left then."""
QUICK = 0.35
"""Weight of a stretch in the smoothed slope."""


class Following:
    """(T,) evidence of standing still among moving peers; fed only while the fan runs."""

    def __init__(self, n: int, arl0: float) -> None:
        self.limit = log(arl0)
        self.evidence: Floats = np.zeros(n)
        """Nats in favour of standing still."""
        self.own: Floats = np.full(n, np.nan)
        """Own change from the stretch before, Pa; NaN after a break."""
        self.peers: Floats = np.full(n, np.nan)
        self._before: Floats = np.full((2, n), np.nan)
        self._slope: Floats = np.ones(n)
        self._latest: Floats = np.full((LATEST, n), np.nan)
        self.steady: Ints = np.zeros(n, dtype=np.int64)
        """Stretches in a row that it has stood still."""

    def step(self, which: Bools, near: Bools, look: Look, usual: Usual) -> None:
        """Take in one stretch of the transducers `which` (T,); the others have a break.

        near: (T,) where own and peers measure the same pressure, so that following is due.
        """
        now = np.where(which, np.stack([look.own, look.peers]), np.nan)
        there = which & np.isfinite(look.slope)
        self._slope[there] += QUICK * (look.slope - self._slope)[there]
        self.own, self.peers = now - self._before
        self._before = now
        moved = np.isfinite(self.own) & np.isfinite(self.peers)
        self._latest[:, moved] = np.roll(self._latest, 1, axis=0)[:, moved]
        self._latest[0, moved] = self.own[moved] ** 2
        variance = np.exp(usual.apart[0] + LOG_CHI2)
        nats = ((self.own - self.peers) ** 2 - self.own**2) / (2 * variance)
        tells = moved & near & usual.ready()[0]
        grown = np.maximum(0.0, self.evidence + np.clip(nats, LEAST, MOST))
        self.evidence[tells] = np.minimum(grown, 2 * self.limit)[tells]

    def deaf(self, usual: Usual) -> Bools:
        """(T,) where it surely does not follow, neither from stretch to stretch nor within."""
        apart = (usual.slope[0] >= COUPLED) & (self._slope < LOOSE * usual.slope[0])
        out: Bools = (self.evidence > self.limit) & apart
        return out

    def still(self, white: Floats, usual: Usual) -> tuple[Bools, Bools]:
        """(T,) where its latest changes are no more than noise and far less than usual; or more.

        white: (T,) Pa2, variance of a stretch's mean that its fast noise alone gives.
        """
        latest = self._latest.mean(axis=0)
        seldom = QUIETER * np.exp(usual.moves[0] + LOG_CHI2)
        still = (latest <= WHITE * white) & (latest <= seldom)
        seen = np.isfinite(self.own)
        self.steady = np.where(seen, np.where(still, self.steady + 1, 0), self.steady)
        return still, np.isfinite(latest) & ~still

    def fresh(self, which: Bools) -> None:
        """Forget the latest changes of `which` (T,): what came before does not count for them."""
        self._latest[:, which] = np.nan

    def forget(self, which: Bools) -> None:
        """Start again with `which` (T,)."""
        self.fresh(which)
        self.evidence[which] = 0.0
        self._before[:, which] = np.nan
        self._slope[which] = 1.0
