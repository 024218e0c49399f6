"""Common practice to measure against: a fixed difference that lasts for a fixed time."""

from __future__ import annotations

import numpy as np

from gateway.measure.blocks import Floats, Readings
from gateway.plant.site import Site

SHARE_OF_SPAN = 0.05
LASTS_S = 60.0
"""5 % of span for a minute: common practice, no source."""


class FixedDifference:
    """Alarms of loops, and of one transducer where it is the only one away from the median."""

    name = "fixed difference"

    def __init__(self, site: Site, share: float = SHARE_OF_SPAN, lasts_s: float = LASTS_S) -> None:
        ids = list(site.transducers)
        self._ids = ids
        self._loops = [[ids.index(k) for k in loop.transducers] for loop in site.loops.values()]
        span = max((noun.span_pa for noun in site.transducers.values()), default=0.0)
        self._limit = share * span
        self._lasts_s = lasts_s
        self._since = [np.nan] * len(self._loops)
        self._on = [False] * len(self._loops)

    def examine(self, readings: Readings) -> list[tuple[float, str, str | None]]:
        """(time, "raised" or "cleared", transducer or None), in order of loops."""
        out: list[tuple[float, str, str | None]] = []
        for k, members in enumerate(self._loops):
            pressure = readings.pressure[:, members]
            wide = np.ptp(pressure, axis=1) > self._limit
            for row in range(len(readings)):
                out += self._row(k, float(readings.time[row]), pressure[row], wide=bool(wide[row]))
        return out

    def _row(
        self, k: int, time: float, pressure: Floats, *, wide: bool
    ) -> list[tuple[float, str, str | None]]:
        if not wide:
            self._since[k] = np.nan
            said = [(time, "cleared", None)] if self._on[k] else []
            self._on[k] = False
            return list(said)
        if np.isnan(self._since[k]):
            self._since[k] = time
        if self._on[k] or time - self._since[k] < self._lasts_s:
            return []
        self._on[k] = True
        return [(time, "raised", self._worst(k, pressure))]

    def _worst(self, k: int, pressure: Floats) -> str | None:
        """Of three or more: the one furthest from the median."""
        if len(pressure) < 3:
            return None
        furthest = int(np.nanargmax(np.abs(pressure - np.nanmedian(pressure))))
        return self._ids[self._loops[k][furthest]]
