"""Short excursions that no peer shows, counted over the latest stretches of time."""

from __future__ import annotations

import numpy as np

from gateway.measure.blocks import Bools, Floats
from gateway.measure.columns import Ints, TransducerColumns

from . import texture
from .usual import Usual

LOUD = 8.0
"""Times the noise that an excursion must reach (common practice)."""
FINEST, SHARE = 3.0, 0.01
"""Counts, and share of the tolerance, that an excursion must reach as well."""
RING, ENOUGH = 10, 3.0
"""Stretches looked back over, and excursions in them."""
SELDOM = 1 / 8
"""Share of the readings above which excursions are noise."""


class Spikes:
    """(T,) counts of excursions."""

    def __init__(self, t: TransducerColumns) -> None:
        self._least = np.maximum(FINEST * t.resolution, SHARE * t.tolerance)
        self._ring: Floats = np.zeros((2, RING, len(t.ids)))

    @property
    def seen(self) -> Floats:
        """(T,) excursions in the stretches looked back over."""
        out: Floats = self._ring[0].sum(axis=0)
        return out

    @property
    def latest(self) -> Floats:
        """(T,) excursions in the latest stretch."""
        out: Floats = self._ring[0, 0]
        return out

    @property
    def largest(self) -> Floats:
        """(T,) Pa, the largest of those seen."""
        out: Floats = self._ring[1].max(axis=0)
        return out

    def step(
        self, stretch: texture.Stretch, noise: Floats, usual: Floats, told: Bools, near: Bools
    ) -> None:
        """Take in one stretch of `told` (T,); noise and usual noise, Pa, 0 where not known.

        near: (T,) where its peers measure the same pressure; elsewhere nothing is counted.
        """
        least = np.maximum(LOUD * np.fmax(noise, usual), self._least)
        count, largest = texture.spikes(stretch, least)
        counted = near & (count <= SELDOM * stretch.count)
        found = np.where(counted, np.stack([count, largest]), 0.0)
        self._ring[:, :, told] = np.roll(self._ring, 1, axis=1)[:, :, told]
        self._ring[:, 0, told] = found[:, told]

    def many(self, usual: Usual, state: Ints, held: Bools) -> Bools:
        """(T,) more than usual, in more than one stretch; held: (T,) where that was said before."""
        usually = RING * usual.spikes[np.maximum(state, 0), np.arange(len(state))]
        limit = ENOUGH + usually + 3 * np.sqrt(usually)
        spread = (self._ring[0] > 0).sum(axis=0) > 1
        out: Bools = (held & (self.seen > 1 + usually)) | ((self.seen >= limit) & spread)
        return out

    def forget(self, which: Bools) -> None:
        """Start again with `which` (T,)."""
        self._ring[:, :, which] = 0.0
