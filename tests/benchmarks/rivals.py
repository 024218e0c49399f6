"""Other ways to watch two transducers, run beside ours on the same rows.

- A fixed difference that lasts for a fixed time, 5 % of span: common practice, no source.
- The same, and the Page-Hinkley and ADWIN tests of the library `river`, openly tuned: on the whole
  fault-free recording (which holds the cases to come) to the most sensitive of a list of settings
  that does not alarm once there. No user could tune so well, so this flatters them.

Page-Hinkley and ADWIN look at the difference in units of its healthy deviation, row by row or as
means of a minute, and start again after an alarm, as the library does it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from river import drift

from gateway.measure.blocks import Bools, Floats

from .recordings import robust_sd

SHARE_OF_SPAN = 0.05
LASTS_S = 60.0
DEADBAND = 0.2
"""Share of the limit: 1 % of span for 5 % (common practice, no source)."""
LIMITS = (3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 15.0, 20.0, 30.0)
"""Deviations."""
PH_DELTA = 0.5
PH_THRESHOLDS = tuple(float(x) for x in np.geomspace(5, 50_000, 25))
ADWIN_DELTAS = (0.1, 0.01, 1e-3, 1e-5, 1e-10, 1e-20, 1e-50, 1e-100, 1e-200, 1e-300)


class Rival(Protocol):
    """(R,) times, any clock in seconds, and (R,) differences in; times of alarms out."""

    def examine(self, time: Floats, difference: Floats) -> list[float]:
        """Times at which an alarm was raised."""
        ...


class Lasting:
    """A limit with an on-delay, a deadband and an off-delay; remembers its state."""

    def __init__(self, limit: float, centre: float = 0.0, lasts_s: float = LASTS_S) -> None:
        self._limit, self._centre, self._lasts = limit, centre, lasts_s
        self._since = np.nan
        self.on = False

    def examine(self, time: Floats, difference: Floats) -> list[float]:
        """Times at which the alarm was raised."""
        away = np.abs(difference - self._centre)
        out = []
        for when, turning in self._turns(time, away):
            self.on = turning
            if turning:
                out.append(when)
        return out

    def _turns(self, time: Floats, away: Floats) -> Iterator[tuple[float, bool]]:
        wide: Bools = away > self._limit
        near: Bools = away < self._limit * (1 - DEADBAND)
        on = self.on
        for row in np.flatnonzero(np.isfinite(away)).tolist():
            against = near[row] if on else wide[row]
            if not against:
                self._since = np.nan
            elif np.isnan(self._since):
                self._since = time[row]
            elif time[row] - self._since >= self._lasts:
                on, self._since = not on, np.nan
                yield float(time[row]), on


class Drift:
    """A drift detector of `river`, on (difference - centre) / sd, or on its means of `width_s`."""

    def __init__(self, detector: Any, centre: float, sd: float, width_s: float = 0.0) -> None:
        self._detector, self._centre, self._sd, self._width = detector, centre, sd, width_s
        self._bucket, self._sum, self._count = 0, 0.0, 0

    def examine(self, time: Floats, difference: Floats) -> list[float]:
        """Times at which it said "drift"."""
        out = []
        z = (difference - self._centre) / self._sd
        there = np.isfinite(z)
        for when, value in zip(time[there].tolist(), z[there].tolist(), strict=True):
            if self._drifts(when, value):
                out.append(when)
        return out

    def _drifts(self, when: float, value: float) -> bool:
        if not self._width:
            self._detector.update(value)
            return bool(self._detector.drift_detected)
        bucket, said = int(when // self._width), False
        if bucket != self._bucket and self._count:
            self._detector.update(self._sum / self._count)
            said = bool(self._detector.drift_detected)
            self._sum, self._count = 0.0, 0
        self._bucket = bucket
        self._sum += value
        self._count += 1
        return said


@dataclass(frozen=True)
class Tuned:
    """A way to make rivals of one kind, with the setting that was chosen for it."""

    name: str
    setting: float
    quiet: bool
    """False when even the least sensitive setting alarmed without a fault."""
    make: Callable[[], Rival]


def tuned(time: Floats, healthy: Floats, span: float, width_s: float = 0.0) -> tuple[Tuned, ...]:
    """Every rival for one pair; time and healthy: (R,) of its fault-free difference.

    width_s: Page-Hinkley and ADWIN look at means over so many seconds; 0: at rows.
    """
    centre, sd = middle(healthy)
    smooth_centre, smooth_sd = middle(averaged(time, healthy, width_s))

    def watch(detector: Any) -> Rival:
        return Drift(detector, smooth_centre, smooth_sd, width_s)

    lists: list[tuple[str, Sequence[float], Callable[[float], Rival]]] = [
        ("5 % of span", (SHARE_OF_SPAN,), lambda s: Lasting(s * span)),
        ("fixed, tuned", LIMITS, lambda s: Lasting(s * sd, centre)),
        ("Page-Hinkley", PH_THRESHOLDS, lambda s: watch(
            drift.PageHinkley(delta=PH_DELTA, threshold=s))),
        ("ADWIN", ADWIN_DELTAS, lambda s: watch(_adwin(s))),
    ]  # fmt: skip
    return tuple(_tune(name, settings, make, time, healthy) for name, settings, make in lists)


def _adwin(delta: float) -> Any:
    make: Any = drift.ADWIN  # its constructor has no type hints
    return make(delta=delta)


def middle(x: Floats) -> tuple[float, float]:
    """Median and robust standard deviation, NaN left out."""
    return float(np.nanmedian(x)), max(robust_sd(x), 1e-9 * float(np.nanmax(np.abs(x)) or 1.0))


def averaged(time: Floats, x: Floats, width_s: float) -> Floats:
    """Means over buckets of absolute time; x itself for width 0."""
    if not width_s:
        return x
    there = np.isfinite(x)
    bucket = np.floor(time[there] / width_s)
    starts = np.flatnonzero(np.diff(bucket, prepend=-np.inf))
    counts = np.diff(starts, append=len(bucket))
    out: Floats = np.add.reduceat(x[there], starts) / counts
    return out


def _tune(
    name: str,
    settings: Sequence[float],
    make: Callable[[float], Rival],
    time: Floats,
    healthy: Floats,
) -> Tuned:
    for setting in settings:
        quiet = not make(setting).examine(time, healthy)
        if quiet:
            break
    return Tuned(name, setting, quiet, lambda: make(setting))
