"""What every transducer reads while its fan stands: a witness that no pressure disturbs."""

from __future__ import annotations

import numpy as np

from gateway.measure.blocks import Bools, Floats
from gateway.measure.columns import Columns, Ints

from .picture import STOPPED, Picture
from .shifts import QUICK, SHARE

RECENT_S = 3600.0
"""A reading with the fan off that is older begins anew."""


class FanOff:
    """(T,) smoothed readings at rest; loop: (T,) the loop of each transducer."""

    def __init__(self, columns: Columns, picture: Picture, loop: Ints) -> None:
        n = len(loop)
        loops = columns.loops
        self._has, self._loop, self._picture = loops.has, loop, picture
        place = np.where(loops.has, loops.place_difference[:, None], 0.0)
        self._place = place.max(axis=0, initial=0.0)
        self._matters = SHARE * columns.transducers.tolerance
        self._standing: Floats = np.full(n, np.nan)
        self._parted: Floats = np.full(n, np.nan)
        self._stood: Floats = np.full(n, -np.inf)

    def step(
        self, time: float, mean: Floats, difference: Floats, stopped: Bools, limit: Floats
    ) -> None:
        """Take in one minute of the transducers `stopped` (T,), settled and good.

        mean, difference: (T,) Pa, reading and reading less the peers'. limit: (T,) Pa, expanded
        uncertainty of a difference, allowed while nothing is learnt.
        """
        ready = self._picture.ready()[STOPPED]
        away = mean - np.where(ready, self._picture.level[STOPPED], 0.0)
        allowed = self._place + np.where(ready, 0.0, limit)
        away = np.sign(away) * np.maximum(np.abs(away) - allowed, 0.0)
        fresh = stopped & (np.isnan(self._standing) | (time - self._stood > RECENT_S))
        self._standing[fresh] = away[fresh]
        self._standing[stopped] += QUICK * (away - self._standing)[stopped]
        self._stood[stopped] = time
        self._part(difference, stopped & ready)

    def _part(self, difference: Floats, told: Bools) -> None:
        away = difference - self._picture.difference[STOPPED]
        fresh = told & np.isnan(self._parted)
        self._parted[fresh] = away[fresh]
        self._parted[told] += QUICK * (away - self._parted)[told]

    def alone(self, limit: Floats) -> Bools:
        """(T,) where one transducer alone is off what it should read at rest."""
        ready = self._picture.ready()[STOPPED]
        off = np.abs(self._standing) > np.where(ready, self._matters, limit)
        # All off together is the building (stack effect, wind), not a transducer.
        many = (self._has & off).sum(axis=1)
        out: Bools = off & (many[self._loop] == 1) if len(many) else off
        return out

    def standing_since(self, time: float) -> Floats:
        """(T,) Pa by which it is off what it should read; NaN where not seen since `time`."""
        return np.where(self._stood > time, self._standing, np.nan)

    def parted_since(self, time: Floats) -> Floats:
        """(T,) Pa by which it is off its peers; NaN where not seen since `time` (T,)."""
        return np.where(self._stood > time, self._parted, np.nan)

    def forget(self, which: Bools) -> None:
        """Start again with the transducers `which` (T,)."""
        self._standing[which] = self._parted[which] = np.nan
