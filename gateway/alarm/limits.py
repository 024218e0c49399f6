"""Pressures against limits, column by column: delays, deadband, and whose reading counts.

As ASHRAE 135's OUT_OF_RANGE: strictly beyond the limit for the whole on-delay, without a break;
back strictly inside limit and deadband for the whole off-delay; the deadband acts only on the way
back.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from gateway.diagnose.latch import Latch
from gateway.measure.blocks import Bools, Floats, Readings
from gateway.measure.columns import Columns, LoopColumns
from gateway.measure.combine import groups
from gateway.measure.hold import column_time, forward_fill, last, shifted
from gateway.measure.quality import Quality

from .definitions import Definition

START_S = 120.0
"""A fan that was started has this long to bring its pressure (common practice, no source)."""
EXACT = 1e-6
"""Share of limit and deadband below which a difference from them is none: counts that stand for the
limit itself give its last binary digit more or less, a float register its seventh."""
GAP_S = 10.0
GAP_POLLS = 5
"""A hole this long, or of this many polls, starts a delay again: nobody saw what happened."""


def slowest(columns: Columns) -> Floats:
    """(L,) longest polling interval of the controllers that a loop reads."""
    loops, interval = columns.loops, columns.controllers.interval
    longest: Floats = np.where(loops.uses, interval, 0.0).max(axis=1, initial=0.0)
    return longest


class Limits:
    """Which limits are passed; n limits, in the order of their definitions."""

    def __init__(self, columns: Columns, definitions: Sequence[Definition]) -> None:
        limits = [d.limit for d in definitions if d.limit is not None]
        where = {loop: k for k, loop in enumerate(columns.loops.ids)}
        self.loop = np.array([where[one.loop] for one in limits], dtype=np.int64)
        self._side = np.array([float(one.side) for one in limits])
        self._size = np.array([one.size for one in limits], dtype=np.bool_)
        limit = self._side * np.array([one.pressure_Pa for one in limits])
        band = np.array([one.deadband_Pa for one in limits])
        slack = EXACT * (np.abs(limit) + band)
        self._above, self._inside = limit + slack, limit - band - slack
        self._on_s = np.array([d.on_delay_s for d in definitions])
        self._off_s = np.array([d.off_delay_s for d in definitions])
        self._gap_s = np.maximum(GAP_S, GAP_POLLS * slowest(columns))[self.loop]
        n = len(limits)
        self._place: NDArray[np.int8] = np.zeros(n, dtype=np.int8)
        self._start: Floats = np.full(n, -np.inf)
        self._seen: Floats = np.full(n, -np.inf)
        self.passed: Bools = np.zeros(n, dtype=np.bool_)

    def follow(self, time: Floats, pressure: Floats, fresh: Bools) -> Bools:
        """(R, n) where a limit stands passed.

        pressure: (R, L) Pa, NaN where it is not known. fresh: (R, L) where it was just read.
        """
        value = pressure[:, self.loop]
        value = np.where(self._size, np.abs(value), self._side * value)
        known = fresh[:, self.loop] & ~np.isnan(value)
        when = column_time(time, len(self._side))
        place = (value > self._above).astype(np.int8) - (value < self._inside).astype(np.int8)
        held = forward_fill(place, known, self._place)
        seen = forward_fill(when, known, self._seen)
        before, seen_before = shifted(held, self._place), shifted(seen, self._seen)
        begins = known & ((place != before) | (when - seen_before > self._gap_s))
        start = forward_fill(when, begins, self._start)
        on = known & (place > 0) & (when - start >= self._on_s)
        off = known & (place < 0) & (when - start >= self._off_s)
        passed = forward_fill(on, on | off, self.passed)
        self._place, self._seen, self._start = last(held), last(seen), last(start)
        self.passed = last(passed)
        return passed


def useless(readings: Readings) -> Bools:
    """(R, T) where there is no reading, or one that counts for nothing."""
    found: Bools = (readings.quality == Quality.BAD) | np.isnan(readings.pressure)
    return found


class Pressures:
    """A loop's pressure by the transducers that can be believed."""

    def __init__(self, loops: LoopColumns) -> None:
        self._groups = groups(loops)

    def of(self, readings: Readings, doubted: Bools | None) -> tuple[Floats, Bools]:
        """(R, L) Pa, and where any member brought a new reading.

        doubted: (R, T) where a finding says that the reading is worth nothing. A sum or a
        difference without one of its members is NaN, and so is a loop without any.
        """
        bad = useless(readings)
        doubtful = bad if doubted is None else bad | doubted
        pressure, fresh = readings.combined.copy(), np.zeros(readings.combined.shape, np.bool_)
        for kind, loops, members in self._groups:
            fresh[:, loops] = readings.fresh[:, members].any(axis=-1)
            bad = doubtful[:, members]
            if bad.any():
                values = np.where(bad, np.nan, readings.pressure[:, members])
                rest = _of_the_rest(kind, values)
                pressure[:, loops] = np.where(bad.any(axis=-1), rest, pressure[:, loops])
        return pressure, fresh


def _of_the_rest(kind: str, values: Floats) -> Floats:
    """(R, n) from (R, n, m) with NaN for members that do not count."""
    there = ~np.isnan(values)
    count = there.sum(axis=-1)
    ordered = np.sort(values, axis=-1)  # NaN goes last
    last = np.maximum(count - 1, 0)
    match kind:
        case "average":
            total = np.add.accumulate(np.where(there, values, 0.0), axis=-1)[..., -1]
            rest = total / np.maximum(count, 1)
        case "minimum":
            rest = ordered[..., 0]
        case "maximum":
            rest = _at(ordered, last)
        case "median":
            rest = (_at(ordered, last // 2) + _at(ordered, np.maximum(count, 1) // 2)) / 2
        case _:
            return np.full(count.shape, np.nan)
    result: Floats = np.where(count > 0, rest, np.nan)
    return result


def _at(ordered: Floats, place: NDArray[np.int64]) -> Floats:
    chosen: Floats = np.take_along_axis(ordered, place[..., None], axis=-1)[..., 0]
    return chosen


class Standing:
    """Rule "fan off": a loop whose fan stands, or was started a moment ago, holds no pressure."""

    def __init__(self, columns: Columns) -> None:
        n = len(columns.loops.ids)
        gap = np.maximum(START_S, GAP_POLLS * slowest(columns))
        self._latch = Latch(np.zeros(n), np.full(n, START_S), gap)
        self.stands: Bools = np.zeros(n, dtype=np.bool_)

    def seed(self, loop: int) -> None:
        """Start with the fan off, as it was before a restart."""
        self._latch.seed(loop)
        self.stands[loop] = True

    def follow(self, time: Floats, running: Floats) -> Bools:
        """(R, L) where the rule holds; where running is not known it stays as it was."""
        known = ~np.isnan(running)
        stands = self._latch.follow(time, running == 0, known, np.zeros_like(known))
        self.stands = last(stands)
        return stands
