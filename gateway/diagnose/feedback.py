"""The controller's reported feedback against every combination we can compute.

Computed from what the controller itself makes of its inputs where the site file names those
points, so that an input scaled wrongly is not taken for a wrong combination; else from ours.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from gateway.measure.blocks import Bools, Floats, Readings
from gateway.measure.columns import ABSENT, Columns, Ints
from gateway.measure.combine import combine, groups
from gateway.measure.hold import column_time, forward_fill
from gateway.measure.quality import Quality

from .detector import Condition

SOURCES = ("our own pressures", "the controller's own input values")
CANDIDATES = ("average", "minimum", "maximum", "median", "sum", "difference")
FITS_AFTER_S = 10.0
TOLERANCE_OF_SPAN = 0.01
"""Rounding, and a pressure that moves between two reads of one poll (common practice)."""


class Feedback:
    """combination-mismatch, and which combination the feedback follows instead."""

    def __init__(self, columns: Columns) -> None:
        self._columns = columns
        loops = columns.loops
        n = len(loops.ids)
        widest = max((len(members) for members in loops.members), default=1)
        self._groups = groups(loops)
        self._names = (*CANDIDATES, *(f"input {k + 1} alone" for k in range(widest)), "none")
        span = [columns.transducers.span[members].max() for members in loops.members]
        step = np.where(loops.feedback == ABSENT, 0.0, self._feedback_step())
        self._tolerance: Floats = TOLERANCE_OF_SPAN * np.array(span, dtype=np.float64) + step
        self._apart: Floats = np.full((len(self._names) - 1, n), np.nan)
        value = columns.transducers.controller_value
        self._own = np.array([(value[m] != ABSENT).all() for m in loops.members], dtype=np.bool_)

    def _feedback_step(self) -> Floats:
        points, which = self._columns.points, self._columns.loops.feedback
        if not len(points.refs):
            return np.zeros(len(which))
        return np.nan_to_num(points.step[which] * points.pa[which])

    def examine(self, readings: Readings) -> tuple[Condition, ...]:
        """(R, L) condition; evidence: reported, computed, difference, and what fits."""
        inputs = tuple(self._inputs(readings, loops, members) for _, loops, members in self._groups)
        computed = np.full(readings.feedback.shape, np.nan)
        for (kind, loops, _), values in zip(self._groups, inputs, strict=True):
            computed[:, loops] = combine(kind, values)
        away = np.abs(readings.feedback - computed)
        known = self._known(readings, computed)
        fits, words = self._fitting(readings, inputs, known), self._names
        return (
            Condition(
                "combination-mismatch", away > self._tolerance, known,
                {
                    "reported_Pa": readings.feedback,
                    "computed_Pa": computed,
                    "difference_Pa": away,
                    "fits": fits,
                    "compared_with": np.broadcast_to(self._own.astype(np.float64), away.shape),
                },
                words={"fits": words, "compared_with": SOURCES},
                confidence=np.where(fits < len(words) - 1, 0.9, 0.6),
            ),
        )  # fmt: skip

    def _inputs(self, readings: Readings, loops: Ints, members: Ints) -> Floats:
        """(R, n, m) what the controller combines, as well as it can be known."""
        ours, theirs = readings.pressure[:, members], readings.controller_value[:, members]
        return np.where(self._own[loops][:, None], theirs, ours)

    def _known(self, readings: Readings, computed: Floats) -> Bools:
        loops = self._columns.loops
        known = np.isfinite(readings.feedback) & (readings.combined_quality < Quality.BAD)
        feedback_fresh = np.zeros(known.shape, dtype=np.bool_)
        named = loops.feedback != ABSENT
        feedback_fresh[:, named] = readings.point_fresh[:, loops.feedback[named]]
        out: Bools = known & feedback_fresh & np.isfinite(computed)
        return out

    def _fitting(self, readings: Readings, inputs: Sequence[Floats], known: Bools) -> Floats:
        """(R, L) index into the names: the candidate that has fitted longest, or "none"."""
        rows, n = known.shape
        when = column_time(readings.time, n)
        fitted_for = np.full((len(self._names) - 1, rows, n), -np.inf)
        for c, name in enumerate(self._names[:-1]):
            value = self._candidate(c, name, inputs, known.shape)
            apart = known & ~(np.abs(readings.feedback - value) <= self._tolerance)
            last_apart = forward_fill(when, apart, self._apart[c])
            self._apart[c] = np.where(np.isnan(last_apart[-1]), when[0], last_apart[-1])
            # A candidate that never was apart has fitted since the first row we saw.
            since = np.where(np.isnan(last_apart), when[0], last_apart)
            fitted_for[c] = np.where(np.isfinite(value), when - since, -np.inf)
        best = fitted_for.argmax(axis=0)
        return np.where(fitted_for.max(axis=0) >= FITS_AFTER_S, best, len(self._names) - 1).astype(
            np.float64
        )

    def _candidate(
        self, c: int, name: str, inputs: Sequence[Floats], shape: tuple[int, ...]
    ) -> Floats:
        """(R, L) pressure that candidate c would report; NaN where it makes no sense."""
        out = np.full(shape, np.nan)
        single = c - len(CANDIDATES)
        for (_, loops, _), values in zip(self._groups, inputs, strict=True):
            m = values.shape[-1]
            if 0 <= single < m:
                out[:, loops] = values[..., single]
            elif single < 0 and _makes_sense(name, m):
                out[:, loops] = combine(name, values)
        return out


def _makes_sense(name: str, m: int) -> bool:
    # The median of two is their average; a difference is of two.
    return m > 1 and not (name == "median" and m == 2) and not (name == "difference" and m != 2)
