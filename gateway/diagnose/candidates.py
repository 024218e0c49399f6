"""Every combination that a reported feedback might be, and what it would come to.

Computed from what the controller itself makes of its inputs where the site file names those
points, so that an input scaled wrongly is not taken for a wrong combination; else from ours.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from gateway.measure.blocks import Bools, Floats, Readings
from gateway.measure.columns import ABSENT, Columns
from gateway.measure.combine import combine, groups
from gateway.measure.quality import Quality

SOURCES = ("our own pressures", "the controller's own input values")
KINDS = ("average", "minimum", "maximum", "median", "sum", "difference")


class Candidates:
    """C combinations for L loops; `names` has one for each, `own` tells the source by loop."""

    def __init__(self, columns: Columns) -> None:
        loops = columns.loops
        self._loops, self._groups = loops, groups(loops)
        widest = max((len(members) for members in loops.members), default=1)
        self.names = (*KINDS, *(f"input {k + 1} alone" for k in range(widest)))
        self.sense: Bools = np.zeros((len(self.names), len(loops.ids)), dtype=np.bool_)
        """(C, L) where the combination can be made, and differs from those before it."""
        for c in range(len(self.names)):
            for _, which, members in self._groups:
                self.sense[c, which] = _makes_sense(c, members.shape[1])
        value = columns.transducers.controller_value
        self.own = np.array([(value[m] != ABSENT).all() for m in loops.members], dtype=np.bool_)
        self.span: Floats = np.array(
            [columns.transducers.span[m].max() for m in loops.members], dtype=np.float64
        )
        self.step: Floats = _feedback_step(columns)

    def computed(self, readings: Readings) -> tuple[tuple[Floats, ...], Floats]:
        """What is combined, (R, n, m) for each group, and (R, L) what the site file makes of it."""
        out = np.full(readings.feedback.shape, np.nan)
        inputs = []
        for kind, loops, members in self._groups:
            ours, theirs = readings.pressure[:, members], readings.controller_value[:, members]
            values = np.where(self.own[loops][:, None], theirs, ours)
            out[:, loops] = combine(kind, values)
            inputs.append(values)
        return tuple(inputs), out

    def each(self, inputs: Sequence[Floats], rows: int) -> Floats:
        """(R, C, L) pressure that every candidate would report; NaN where it makes no sense."""
        out = np.full((rows, *self.sense.shape), np.nan)
        for (_, loops, _), values in zip(self._groups, inputs, strict=True):
            for c in np.flatnonzero(self.sense[:, loops[0]]).tolist():
                single = c - len(KINDS)
                made = values[..., single] if single >= 0 else combine(KINDS[c], values)
                out[:, c, loops] = made
        return out

    def known(self, readings: Readings, computed: Floats) -> Bools:
        """(R, L) where a fresh feedback stands against good inputs."""
        known = np.isfinite(readings.feedback) & (readings.combined_quality < Quality.BAD)
        fresh = np.zeros(known.shape, dtype=np.bool_)
        named = self._loops.feedback != ABSENT
        fresh[:, named] = readings.point_fresh[:, self._loops.feedback[named]]
        out: Bools = known & fresh & np.isfinite(computed)
        return out


def _makes_sense(c: int, m: int) -> bool:
    """Whether candidate c says something of its own about m inputs."""
    if c >= len(KINDS):
        return c - len(KINDS) < m
    # The median of two is their average; a difference is of two.
    name = KINDS[c]
    return m > 1 and not (name == "median" and m == 2) and not (name == "difference" and m != 2)


def _feedback_step(columns: Columns) -> Floats:
    """(L,) Pa: smallest step that the feedback's register can show."""
    points, which = columns.points, columns.loops.feedback
    if not len(points.refs):
        return np.zeros(len(which))
    return np.where(which == ABSENT, 0.0, np.nan_to_num(points.step[which] * points.pa[which]))
