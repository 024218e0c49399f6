"""Whether a reading stops at a level of its own while its peers go higher.

A sagging supply, or a shunt too large for it, caps the signal below 100 %: the tops are shaved off
and everything below is right.
"""

from __future__ import annotations

import numpy as np

from gateway.measure.blocks import Bools, Floats

from .texture import Look, Top

CALLED = 5.0
"""Rows of a stretch in which the peers must call for more, so that it tells."""
SHARE = 0.8
"""Share of them that must rest at the top."""
ROWS = 12.0
"""Rows at the same top that are believed."""
WAITS = 3
"""Stretches until a ceiling is said: one that has lost its noise altogether shows it meanwhile."""
LOOKED_BACK, LEVEL = 8, 5
"""Running stretches whose tops are compared, and those that must end at one level."""
EVEN = 0.06
"""Share of the spread of their means within which tops are one level."""
PILE = 4.0
"""Rows close below the top, in each; a free top has one or two."""


class Clipping:
    """(T,) tallies of readings at a ceiling."""

    def __init__(self, n: int) -> None:
        self.top: Floats = np.full(n, np.nan)
        """The ceiling, Pa; NaN for none."""
        self.clipped: Bools = np.zeros(n, dtype=np.bool_)
        self._rows: Floats = np.zeros(n)
        self._waited = np.zeros(n, dtype=np.int64)
        self._ring: Floats = np.full((3, LOOKED_BACK, n), np.nan)
        """Top, mean and pile of the latest running stretches, newest first."""

    def step(self, which: Bools, running: Bools, look: Look, top: Top, width: Floats) -> None:
        """Take in one stretch of `which` (T,), some of them `running`; width of the top, Pa.

        None of them must have lost its fast noise; see `wait`.
        """
        # While the fan starts or stands, a plateau is a ceiling only where nothing was above it,
        # and where the peers' rise went past it.
        high = np.fmax.reduce(self._ring[0], axis=0)
        past = look.top - high < (look.peers - look.own) / 4
        here = running | ((look.top >= high - width) & past)
        tells = which & (top.called >= CALLED)
        at = tells & here & (top.resting >= SHARE * top.called)
        same = at & (np.abs(look.top - self.top) <= 2 * width)
        self._rows = np.where(same, self._rows + top.resting, np.where(at, top.resting, self._rows))
        self.top = np.where(at & ~same & ~self.clipped, look.top, self.top)
        free = which & (look.top > self.top + 2 * width)
        self.forget(free | (tells & running & ~at & ~self.clipped))
        found = (at & (self._rows >= ROWS)) | (running & self.level(width))
        self._ring[:, :, running] = np.roll(self._ring, 1, axis=1)[:, :, running]
        self._ring[:, 0, running] = np.stack([look.top, look.own, top.pile])[:, running]
        new = found & ~self.clipped & (self._waited == 0)
        self.top = np.where(new, np.fmax(self.top, look.top), self.top)
        self._waited[new] = 1

    def wait(self, there: Bools, dull: Bools) -> None:
        """Let one stretch of `there` (T,) pass; while it is `dull` (T,) nothing is said."""
        self._waited += there & (self._waited > 0) & ~dull
        self.clipped |= self._waited > WAITS

    @property
    def waiting(self) -> Bools:
        """(T,) where a ceiling was seen, but not for long."""
        out: Bools = (self._waited > 0) & ~self.clipped
        return out

    def level(self, width: Floats) -> Bools:
        """(T,) where most tops of late are one level, though the means are not."""
        tops, means, piles = self._ring
        spread = means.max(axis=0) - means.min(axis=0)
        even = (tops >= tops.max(axis=0) - EVEN * spread) & (piles >= PILE)
        # A stuck one has one top as well, but also one mean.
        highest = np.where(even, means, -np.inf).max(axis=0)
        differ = highest - np.where(even, means, np.inf).min(axis=0) > width
        out: Bools = (even.sum(axis=0) >= LEVEL) & differ
        return out

    def note(self, which: Bools, top: Floats) -> None:
        """Take `which` (T,) to be capped at `top`, found out otherwise."""
        self.top = np.where(which & ~self.clipped, top, self.top)
        self.clipped |= which

    def forget(self, which: Bools) -> None:
        """Start again with `which` (T,)."""
        self.top[which] = np.nan
        self._rows[which] = 0.0
        self._waited[which] = 0
        self.clipped[which] = False
