"""The controller's reported feedback against every combination we can compute, row by row."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from gateway.measure.blocks import Bools, Floats, Readings
from gateway.measure.columns import Columns
from gateway.measure.hold import column_time, forward_fill, last

from .candidates import SOURCES, Candidates
from .detector import Condition

FITS_AFTER_S = 10.0
TOLERANCE_OF_SPAN = 0.01
"""Rounding, and a pressure that moves between two reads of one poll (common practice)."""


class Feedback:
    """combination-mismatch, and which combination the feedback follows instead."""

    def __init__(self, columns: Columns) -> None:
        self._candidates = c = Candidates(columns)
        self._names = (*c.names, "none")
        self._tolerance: Floats = TOLERANCE_OF_SPAN * c.span + c.step
        self._apart: Floats = np.full(c.sense.size, np.nan)

    def examine(self, readings: Readings) -> tuple[Condition, ...]:
        """(R, L) condition; evidence: reported, computed, difference, ours, what fits."""
        inputs, computed = self._candidates.computed(readings)
        away = np.abs(readings.feedback - computed)
        known = self._candidates.known(readings, computed)
        fits, words = self._fitting(readings, inputs, known), self._names
        own = self._candidates.own.astype(np.float64)
        return (
            Condition(
                "combination-mismatch", away > self._tolerance, known,
                {
                    "reported_Pa": readings.feedback,
                    "computed_Pa": computed,
                    "difference_Pa": away,
                    "combined_Pa": readings.combined,
                    "fits": fits,
                    "compared_with": np.broadcast_to(own, away.shape),
                },
                words={"fits": words, "compared_with": SOURCES},
                confidence=np.where(fits < len(words) - 1, 0.9, 0.6),
            ),
        )  # fmt: skip

    def _fitting(self, readings: Readings, inputs: Sequence[Floats], known: Bools) -> Floats:
        """(R, L) index into the names: the candidate that has fitted longest, or "none"."""
        value = self._candidates.each(inputs, len(known))
        shape = value.shape
        when = column_time(readings.time, shape[1] * shape[2])
        beside = np.abs(readings.feedback[:, None] - value)
        apart = (known[:, None] & ~(beside <= self._tolerance)).reshape(when.shape)
        last_apart = forward_fill(when, apart, self._apart)
        self._apart = np.where(np.isnan(last(last_apart)), when[0], last(last_apart))
        # A candidate that never was apart has fitted since the first row we saw.
        since = np.where(np.isnan(last_apart), when[0], last_apart)
        fitted_for = np.where(np.isfinite(value), (when - since).reshape(shape), -np.inf)
        best = np.where(fitted_for.max(axis=1) >= FITS_AFTER_S, fitted_for.argmax(axis=1), shape[1])
        return np.asarray(best, dtype=np.float64)
