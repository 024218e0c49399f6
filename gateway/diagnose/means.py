"""combination-mismatch where the candidates lie too close together for single rows.

Two transducers that read nearly the same hide a wrong combination until one of them fails, and
then it matters. A row may be beside by what the pressure does between two reads; the mean over
minutes is not. Only against the controller's own inputs: ours are not that exact.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from gateway.measure.blocks import Bools, Floats, Readings
from gateway.measure.columns import Columns
from gateway.measure.hold import zeroed

from .candidates import SOURCES, Candidates
from .detector import Condition
from .minutes import Minutes
from .standing import Stand, spread

QUICK = 0.2
"""Weight of a minute in the smoothed differences."""
LEAST_MINUTES = 5
BESIDE = 0.15
"""% of span by which the mean must be beside the site file's combination."""
FITS_BY = 5.0
"""Times nearer that another combination must be."""


class Means:
    """Judge beside `Feedback`."""

    def __init__(self, columns: Columns) -> None:
        self._candidates = c = Candidates(columns)
        n = len(columns.loops.ids)
        # Differences from every candidate and from the site file's; then feedback, and rows.
        self._sums: Floats = np.zeros((len(c.names) + 3, n))
        self._smooth: Floats = np.full((len(c.names) + 1, n), np.nan)
        self._reported: Floats = np.full(n, np.nan)
        self._minutes: Floats = np.zeros(n)
        self._least: Floats = BESIDE / 100 * c.span + c.step / 2
        self._wrong: Bools = np.zeros(n, dtype=np.bool_)
        self._fits: Floats = np.full(n, float(len(c.names)))

    def examine(
        self, readings: Readings, minutes: Minutes, trouble: Bools
    ) -> tuple[Condition, ...]:
        """(R, L) condition; evidence like that of `Feedback`, as means over minutes."""
        good, parts = self._parts(readings, trouble)
        stands: list[Stand] = [(0, self._stand())]
        start = 0
        for row in minutes.row.tolist():
            self._add(parts[start:row])
            self._minute()
            stands.append((row, self._stand()))
            start = row
        self._add(parts[start:])
        now = spread(len(good), stands)
        return (
            Condition(
                "combination-mismatch", now["wrong"],
                good & (now["minutes"] >= LEAST_MINUTES),
                {
                    "reported_Pa": now["reported"],
                    "computed_Pa": now["reported"] - now["beside"],
                    "difference_Pa": np.abs(now["beside"]),
                    "fits": now["fits"],
                    "compared_with": np.ones(good.shape),
                },
                words={"fits": (*self._candidates.names, "none"), "compared_with": SOURCES},
                confidence=0.8, by="means",
            ),
        )  # fmt: skip

    def forget(self, loop: int) -> None:
        """Start again with one loop."""
        self._smooth[:, loop], self._minutes[loop], self._wrong[loop] = np.nan, 0, False

    def _parts(self, readings: Readings, trouble: Bools) -> tuple[Bools, Floats]:
        """(R, L) rows that count, and (R, sums, L) what each adds."""
        c = self._candidates
        inputs, computed = c.computed(readings)
        good = c.known(readings, computed) & ~trouble & c.own
        more = np.stack([computed, np.zeros(good.shape)], axis=1)
        made = np.concatenate([c.each(inputs, len(good)), more], axis=1)
        beside = readings.feedback[:, None] - made
        parts = np.concatenate([beside, np.ones((len(good), 1, good.shape[1]))], axis=1)
        parts = np.where(good[:, None], zeroed(parts), 0.0)
        return good, np.asarray(parts, dtype=np.float64)

    def _add(self, parts: Floats) -> None:
        # One after the other, so that the digits do not depend on how the rows are cut.
        self._sums = np.add.accumulate(np.concatenate([self._sums[None], parts]), axis=0)[-1]

    def _minute(self) -> None:
        rows = self._sums[-1]
        seen = rows > 0
        mean = self._sums[:-2] / np.maximum(rows, 1)
        self._reported[seen] = (self._sums[-2] / np.maximum(rows, 1))[seen]
        self._smooth = np.where(seen & np.isnan(self._smooth), mean, self._smooth)
        self._smooth = np.where(seen, self._smooth + QUICK * (mean - self._smooth), self._smooth)
        self._minutes += seen
        self._sums = np.zeros_like(self._sums)
        beside = np.abs(self._smooth[-1])
        others = np.where(self._candidates.sense, np.abs(self._smooth[:-1]), np.inf)
        nearest = others.min(axis=0)
        # Of those that cannot be told apart the first: a combination before one input alone.
        best = (others <= nearest + self._least / 5).argmax(axis=0)
        found = (beside > self._least) & (nearest < beside / FITS_BY) & (nearest < self._least)
        gone = beside < self._least / 2
        self._wrong = (self._wrong & ~gone) | (found & (self._minutes >= LEAST_MINUTES))
        self._fits[found] = best[found]

    def _stand(self) -> dict[str, NDArray[Any]]:
        return {
            "wrong": self._wrong.copy(), "minutes": self._minutes.copy(),
            "fits": self._fits.copy(), "reported": self._reported.copy(),
            "beside": self._smooth[-1].copy(),
        }  # fmt: skip
