"""The rivals on the loops of the simulated plant, beside the gateway on the same readings.

Two transducers: their difference. Three or more: each against the median of the others, which also
names one. Tuned on a day of fault-free running of the same plant, with another seed.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache

import numpy as np

from gateway.demo.control import demo_site_path
from gateway.measure.blocks import Floats, Readings
from gateway.plant.site import Site
from gateway.plant.sitefile import read_site

from .cases import BEGIN, DAY_S
from .rivals import Rival, Tuned, tuned
from .stage import Stage, alone, slower

MINUTE_S = 60.0
TUNING_SEED, TUNING_S = 77, DAY_S
NAMES = ("5 % of span", "fixed, tuned", "Page-Hinkley", "ADWIN")
Alarm = tuple[str, float, str | None]
"""Name of the rival, time, transducer or None."""


class Practice:
    """Every rival on every loop of a site; remembers their states."""

    def __init__(self, site: Site, settings: Mapping[str, tuple[tuple[Tuned, ...], ...]]) -> None:
        """settings: of each loop, for each of its series."""
        ids = list(site.transducers)
        self._loops = [
            ([ids.index(k) for k in noun.transducers], noun.transducers)
            for noun in site.loops.values()
        ]
        self._rivals: list[list[list[tuple[str, Rival]]]] = [
            [[(one.name, one.make()) for one in series] for series in settings[loop]]
            for loop in site.loops
        ]

    def examine(self, readings: Readings) -> list[Alarm]:
        """Alarms raised, loop by loop."""
        out: list[Alarm] = []
        for (members, names), rivals in zip(self._loops, self._rivals, strict=True):
            for k, x in enumerate(series_of(readings.pressure[:, members])):
                who = names[k] if len(names) > 2 else None
                for name, rival in rivals[k]:
                    out += [(name, when, who) for when in rival.examine(readings.time, x)]
        return out


def series_of(pressure: Floats) -> list[Floats]:
    """Differences to watch in (R, n) pressures."""
    if pressure.shape[1] == 2:
        return [pressure[:, 0] - pressure[:, 1]]
    others = [np.delete(pressure, k, axis=1) for k in range(pressure.shape[1])]
    return [pressure[:, k] - np.median(rest, axis=1) for k, rest in enumerate(others)]


@lru_cache
def tuned_loop(loop: str, interval_s: float, step_s: float) -> tuple[tuple[Tuned, ...], ...]:
    """Settings for each series of a loop of the demo site."""
    site = slower(alone(read_site(demo_site_path()), loop), interval_s)
    stage = Stage(site, seed=TUNING_SEED, start=BEGIN, interval_s=interval_s, max_step_s=step_s)
    readings = stage.measure.examine(stage.block(TUNING_S))
    span = max(noun.span_pa for noun in site.transducers.values())
    return tuple(tuned(readings.time, x, span, MINUTE_S) for x in series_of(readings.pressure))


def practice_of(site: Site, interval_s: float, step_s: float) -> Practice:
    """The rivals of a site, tuned; takes seconds for each loop the first time."""
    return Practice(site, {loop: tuned_loop(loop, interval_s, step_s) for loop in site.loops})
