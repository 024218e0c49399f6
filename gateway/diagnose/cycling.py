"""A fan that starts and stops again and again: sleep-cycling."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from gateway.measure.blocks import Bools, Floats, Readings
from gateway.measure.columns import ABSENT, Columns
from gateway.measure.hold import forward_fill, last, shifted

from .detector import Condition
from .minutes import Minutes
from .standing import Stand, spread

WINDOW = 30
"""Minutes over which starts are counted."""
OFTEN, SELDOM = 4, 1
"""Starts in that time from which on, and up to which, it cycles or not (common practice)."""
NUMBERS = ("starts", "in_minutes", "cycle_s")


class Cycling:
    """Judge of sleep-cycling."""

    def __init__(self, columns: Columns) -> None:
        loops = columns.loops
        n = len(loops.ids)
        width = loops.output_high - loops.output_low
        self._stopped_below = loops.output_low - width / 100
        self._has_point = loops.running != ABSENT
        self._runs: Floats = np.full(n, np.nan)
        self._now: Floats = np.zeros(n)
        self._starts: Floats = np.zeros((WINDOW, n))
        self._seen: Floats = np.zeros(n)
        """Minutes in which the loop was seen at all."""
        self._cycles: Bools = np.zeros(n, dtype=np.bool_)

    def examine(
        self, readings: Readings, minutes: Minutes, _trouble: Bools
    ) -> tuple[Condition, ...]:
        """(R, L) condition; evidence: starts counted, and the time from one to the next."""
        by_output = np.where(readings.output < self._stopped_below, 0.0, 1.0)
        by_output[np.isnan(readings.output) | np.isnan(self._stopped_below)] = np.nan
        runs = np.where(self._has_point, readings.running, by_output)
        there = np.isfinite(runs)
        held = forward_fill(runs, there, self._runs)
        started = (held >= 1) & (shifted(held, self._runs) <= 0)
        self._runs = last(held)
        stands: list[Stand] = [(0, self._stand())]
        start = 0
        for k, row in enumerate(minutes.row.tolist()):
            self._now += started[start:row].sum(axis=0)
            self._minute(minutes, k)
            stands.append((row, self._stand()))
            start = row
        self._now += started[start:].sum(axis=0)
        now = spread(len(runs), stands)
        numbers = {name: now[name] for name in NUMBERS}
        known = there & (now["cycles"] | (now["seen"] >= WINDOW))
        return (Condition("sleep-cycling", now["cycles"], known, numbers, confidence=0.8),)

    def forget(self, loop: int) -> None:
        """Start again with one loop."""
        self._starts[:, loop], self._seen[loop], self._cycles[loop] = 0, 0, False

    def _minute(self, minutes: Minutes, k: int) -> None:
        running = minutes.running[k]
        self._starts = np.concatenate([self._starts[1:], self._now[None]])
        self._now = np.zeros_like(self._now)
        self._seen += np.isfinite(running) | np.isfinite(minutes.output[k])
        counted = self._starts.sum(axis=0)
        self._cycles = (counted >= OFTEN) | (self._cycles & (counted > SELDOM))

    def _stand(self) -> dict[str, NDArray[Any]]:
        counted = self._starts.sum(axis=0)
        spent = np.minimum(self._seen, WINDOW)
        with np.errstate(invalid="ignore", divide="ignore"):
            cycle = self._mean_cycle(counted)
        return {
            "cycles": self._cycles.copy(), "seen": self._seen.copy(), "starts": counted,
            "in_minutes": spent, "cycle_s": cycle,
        }  # fmt: skip

    def _mean_cycle(self, counted: Floats) -> Floats:
        """(L,) seconds from start to start, between the first and the last minute with one."""
        some = self._starts > 0
        first = some.argmax(axis=0)
        last = WINDOW - 1 - some[::-1].argmax(axis=0)
        return np.where(counted > 1, 60.0 * (last - first) / (counted - 1), np.nan)
