"""What is usual for the texture of a transducer's reading, learnt stretch by stretch.

Kept apart from the picture of minutes: it is learnt from robust noise, quickly, and is used as
soon as ten stretches are seen.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields

import numpy as np

from gateway.measure.blocks import Bools, Floats

ENOUGH = 10.0
"""Stretches from which on it is used."""
FULL = 7 * 1440.0
"""Stretches after which nothing more is learnt."""


@dataclass
class Usual:
    """(2, T) arrays, first running then stopped."""

    count: Floats
    """Stretches seen."""
    noise: Floats
    """Mean logarithm of the noise variance, Pa2."""
    beside: Floats
    """Mean of that less the peers' (nats)."""
    spread: Floats
    """Mean squared deviation of it (nats2)."""
    gap: Floats
    """Mean reading less the peers', Pa."""
    around: Floats
    """Mean square of single rows' own minus peers about the gap, Pa2."""
    apart: Floats
    """Mean logarithm of the squared difference between own and peers' change from stretch to
    stretch, Pa2."""
    slope: Floats
    """Mean slope of own against peers' readings within a stretch."""
    moves: Floats
    """Mean logarithm of the squared own change from stretch to stretch, Pa2."""
    spikes: Floats
    """Mean number of excursions in a stretch."""

    def ready(self) -> Bools:
        """(2, T) where enough has been seen."""
        out: Bools = self.count >= ENOUGH
        return out


def blank(n: int) -> Usual:
    """Nothing learnt yet for n transducers."""
    return Usual(**{f.name: np.zeros((2, n)) for f in fields(Usual)})


def learn(usual: Usual, state: int, which: Bools, seen: Mapping[str, Floats]) -> None:
    """Add one stretch of the transducers `which` (T,), all in `state`.

    seen: (T,) arrays named like the fields except `count` and `spread`; NaN adds nothing.
    """
    which = which & (usual.count[state] < FULL)
    if not which.any():
        return
    n = usual.count[state] + which
    deviation = seen["beside"] - usual.beside[state]
    for name, value in seen.items():
        _add(getattr(usual, name)[state], value, which, n)
    _add(usual.spread[state], deviation * (seen["beside"] - usual.beside[state]), which, n)
    usual.count[state][:] = n


def forget(usual: Usual, which: Bools) -> None:
    """Unlearn the transducers `which` (T,)."""
    for f in fields(Usual):
        getattr(usual, f.name)[:, which] = 0.0


def _add(mean: Floats, value: Floats, which: Bools, n: Floats) -> None:
    there = which & np.isfinite(value)
    mean[there] += (value - mean)[there] / n[there]
