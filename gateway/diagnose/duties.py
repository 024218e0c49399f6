"""What the site file asks of each loop, as arrays: the way its output acts, limits, and its door.

`columns` holds what is read; this holds what the readings are judged by.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from gateway.measure.blocks import Floats
from gateway.plant.site import Site
from gateway.plant.units import to_pa

from .consequence import allowed_pressure


@dataclass(frozen=True)
class Duties:
    """(L,) arrays, NaN where the site file does not say; pressures in Pa."""

    sign: Floats
    """+1: the output rises when feedback is below set point ("reverse"); -1: when above."""
    limit_low: Floats
    limit_high: Floats
    door_allows: Floats
    """Pressure difference at which the door takes the force that it may take at most."""


def duties(site: Site) -> Duties:
    """Of every loop, in file order."""
    low: list[float] = []
    high: list[float] = []
    door: list[float] = []
    for key, loop in site.loops.items():
        unit = site.loop_unit(key)
        limits = (loop.limits.low, loop.limits.high)
        for limit, of_all in zip(limits, (low, high), strict=True):
            of_all.append(np.nan if limit is None else to_pa(limit, unit))
        door.append(np.nan if loop.door is None else allowed_pressure(loop.door))
    sign = [1.0 if loop.action == "reverse" else -1.0 for loop in site.loops.values()]
    arrays = (np.array(values, dtype=np.float64) for values in (sign, low, high, door))
    return Duties(*arrays)


def no_duties(n: int) -> Duties:
    """Of n loops of which nothing is asked."""
    return Duties(*(np.full(n, np.nan) for _ in range(4)))
