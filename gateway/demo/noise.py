"""Numbers by chance, each stream from one seed and its own name, so that runs repeat exactly.

A stream of its own for every part: breaking one wire changes no other part's noise.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from math import exp, sqrt
from zlib import crc32

import numpy as np

BATCH = 1024

Draw = Callable[[], float]


def normals(seed: int, name: str) -> Draw:
    """Endless draws from the standard normal distribution; plain floats, drawn in batches."""

    def batches() -> Iterator[float]:
        source = np.random.default_rng([seed, crc32(name.encode())])
        while True:
            yield from source.standard_normal(BATCH).tolist()

    return batches().__next__


def uniforms(seed: int, name: str) -> Draw:
    """Endless draws from 0 up to, not including, 1."""

    def batches() -> Iterator[float]:
        source = np.random.default_rng([seed, crc32(name.encode()), 1])
        while True:
            yield from source.random(BATCH).tolist()

    return batches().__next__


class Wander:
    """A value that wanders about zero: Ornstein-Uhlenbeck, exact for a step of any length.

    spread: its standard deviation; memory_s: the time over which it forgets.
    """

    __slots__ = ("_draw", "_dt", "_keep", "_kick", "memory_s", "spread", "value")

    def __init__(self, draw: Draw, spread: float, memory_s: float) -> None:
        self.spread = spread
        self.memory_s = memory_s
        self.value = spread * draw()
        self._draw = draw
        self._dt, self._keep, self._kick = 0.0, 1.0, 0.0

    def step(self, dt: float) -> float:
        if dt != self._dt:
            self._dt = dt
            self._keep = exp(-dt / self.memory_s)
            self._kick = self.spread * sqrt(1.0 - self._keep**2)
        self.value = self.value * self._keep + self._kick * self._draw()
        return self.value


class Lag:
    """First-order lag, exact for a step of any length while its input holds still."""

    __slots__ = ("_dt", "_share", "_tau", "value")

    def __init__(self, value: float) -> None:
        self.value = value
        self._dt = self._tau = self._share = 0.0

    def step(self, dt: float, target: float, tau: float) -> float:
        if dt != self._dt or tau != self._tau:
            self._dt, self._tau = dt, tau
            self._share = 1.0 - exp(-dt / tau)
        self.value += self._share * (target - self.value)
        return self.value
