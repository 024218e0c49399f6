"""A loose wire: the signal drops out again and again, each time too short for an open circuit."""

from __future__ import annotations

import numpy as np

from gateway.measure.blocks import Bools, Floats, Readings
from gateway.measure.columns import Columns, by_size
from gateway.measure.hold import column_time, forward_fill, last, shifted

from .detector import Condition
from .minutes import peers

DROPS, WINDOW_S = 3, 600.0
"""Drops within this time that make it a loose wire (common practice)."""
SHORT_S = 10.0
"""Longest drop that is counted: what stays away longer has a fault of its own."""
GONE_S = 30.0
"""Time away after which it is no longer a loose wire but an open one."""
CLEAR = 0.05
"""Share of span that a true-zero signal must stand above zero for its fall to mean anything."""
BEYOND_PEERS = 3.0
KEPT = 60
"""Drops remembered."""


class LooseWire:
    """intermittent-wiring."""

    def __init__(self, columns: Columns) -> None:
        t = columns.transducers
        n = len(t.ids)
        self._t = t
        self._groups = by_size(columns.loops, without=("sum", "difference"))
        self._true_zero = (t.signal_low <= 0) & (t.signal_high > 0)
        self._short = np.maximum(SHORT_S, 3 * columns.controllers.interval[t.controller])
        self._pressure: Floats = np.full(n, np.nan)
        self._signal: Floats = np.full(n, np.nan)
        self._away: Bools = np.zeros(n, dtype=np.bool_)
        self._left: Floats = np.full(n, -np.inf)
        self._first: Floats = np.full(n, np.nan)
        self._drops: Floats = np.full((KEPT, n), -np.inf)
        """Times of the latest drops, newest first."""
        self._number: Floats = np.zeros(n)

    def examine(self, readings: Readings) -> tuple[Condition, ...]:
        """(R, T) condition; evidence: drops in the last ten minutes."""
        fresh = readings.fresh
        when = column_time(readings.time, len(self._first))
        away = self._aways(readings)
        was_away = shifted(away, self._away)
        left = forward_fill(when, away & ~was_away, self._left)
        # A drop counts when it is over: only then its length is known.
        back = was_away & ~away & (when - shifted(left, self._left) <= self._short)
        third, number = self._counted(readings.time, back)
        self._away, self._left = last(away), last(left)
        begins = np.where(fresh.any(axis=0), readings.time[fresh.argmax(axis=0)], np.nan)
        self._first = np.where(np.isnan(self._first), begins, self._first)
        holds = (when - third <= WINDOW_S) & ~(away & (when - left > GONE_S))
        known = fresh & (holds | (when - self._first >= WINDOW_S))
        evidence = {"drops_in_10_min": number}
        return (Condition("intermittent-wiring", holds, known, evidence, confidence=0.85),)

    def _aways(self, readings: Readings) -> Bools:
        """(R, T) where the signal has dropped out, from the drop until it is back."""
        t, fresh, signal = self._t, readings.fresh, readings.electrical
        held = forward_fill(signal, fresh, self._signal)
        before = shifted(held, self._signal)
        at_rest = self._true_zero & (np.abs(signal) <= t.step / 2)
        fell = fresh & at_rest & (np.abs(before) >= CLEAR * (t.signal_high - t.signal_low))
        if fell.any():
            fell &= self._alone(readings.pressure)
        banded = (signal <= t.failure_low) | (signal >= t.failure_high)
        on = fresh & (banded | fell)
        off = fresh & ~banded & ~at_rest
        self._signal, self._pressure = last(held), last(readings.pressure)
        return forward_fill(on, on | off, self._away)

    def _alone(self, pressure: Floats) -> Bools:
        """(R, T) where the peers made no such step."""
        step = pressure - shifted(pressure, self._pressure)
        others = np.abs(peers(step, np.isfinite(step), self._groups))
        out: Bools = np.abs(step) > BEYOND_PEERS * np.nan_to_num(others)
        return out

    def _counted(self, time: Floats, back: Bools) -> tuple[Floats, Floats]:
        """(R, T) time of the last drop but two, and the number in the window at the last one."""
        rows = np.flatnonzero(back.any(axis=1))
        thirds, numbers = [self._drops[DROPS - 1].copy()], [self._number]
        for row in rows.tolist():
            hit = back[row]
            self._drops[1:, hit] = self._drops[:-1, hit]
            self._drops[0, hit] = time[row]
            thirds.append(self._drops[DROPS - 1].copy())
            recent = time[row] - self._drops <= WINDOW_S
            self._number = recent.sum(axis=0).astype(np.float64)
            numbers.append(self._number)
        lasts = np.diff([0, *rows, len(time)])
        return np.repeat(thirds, lasts, axis=0), np.repeat(numbers, lasts, axis=0)
