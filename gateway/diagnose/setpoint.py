"""Set points that no transducer can show, or that the limits and the door do not allow."""

from __future__ import annotations

import numpy as np

from gateway.measure.blocks import Bools, Floats, Readings
from gateway.measure.columns import ABSENT, Columns
from gateway.measure.combine import combine, groups

from .detector import Condition
from .duties import Duties

SLACK = 0.001
"""Share of range that a set point may lie beyond it: rounding."""


class Setpoint:
    """setpoint-outside-range and setpoint-above-safe-limit."""

    def __init__(self, columns: Columns, duties: Duties) -> None:
        self._columns, self._duties = columns, duties
        self._low, self._high = _combined_range(columns)
        self._slack = SLACK * (self._high - self._low)

    def examine(self, readings: Readings) -> tuple[Condition, ...]:
        """(R, L) conditions; evidence: the set point and what it passes."""
        at, d = readings.setpoint, self._duties
        shape, known = at.shape, self._known(readings)
        over, under = at > self._high + self._slack, at < self._low - self._slack
        passed = np.where(under, self._low, np.broadcast_to(self._high, shape))
        # Away from zero is more pressure; towards zero is less, which is no danger to the door.
        beyond = np.where(at > 0, at - d.limit_high, d.limit_low - at)
        limit = np.where(at > 0, d.limit_high, np.broadcast_to(d.limit_low, shape))
        by_door = np.abs(at) > d.door_allows
        return (
            Condition(
                "setpoint-outside-range", over | under, known,
                {"setpoint_Pa": at, "range_end_Pa": passed},
            ),
            Condition(
                "setpoint-above-safe-limit", (beyond > self._slack) | by_door, known,
                {
                    "setpoint_Pa": at,
                    "limit_Pa": limit,
                    "door_allows_Pa": np.broadcast_to(d.door_allows, shape),
                },
            ),
        )  # fmt: skip

    def _known(self, readings: Readings) -> Bools:
        which = self._columns.loops.setpoint
        known = np.isfinite(readings.setpoint)
        named = which != ABSENT
        known[:, named] &= readings.point_fresh[:, which[named]]
        return known


def _combined_range(columns: Columns) -> tuple[Floats, Floats]:
    """(L,) lowest and highest combined pressure that the loop's transducers can show."""
    t, n = columns.transducers, len(columns.loops.ids)
    low, high = np.full(n, np.nan), np.full(n, np.nan)
    for kind, loops, members in groups(columns.loops):
        bottom, top = t.lrv[members], (t.lrv + t.span)[members]
        if kind == "difference":
            low[loops], high[loops] = bottom[:, 0] - top[:, 1], top[:, 0] - bottom[:, 1]
        else:
            low[loops], high[loops] = combine(kind, bottom), combine(kind, top)
    return low, high
