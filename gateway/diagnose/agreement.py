"""Transducers of one loop against each other: disagreement."""

from __future__ import annotations

from itertools import combinations

import numpy as np

from gateway.measure.blocks import Bools, Floats, Readings
from gateway.measure.columns import Columns, Ints, by_size
from gateway.measure.quality import Quality
from gateway.measure.uncertainty import COVERAGE, standard_uncertainty

from .detector import Condition

VOTERS = 3
"""From this many on, the one furthest from the middle can be named."""
FOUND_BY = ("more than their uncertainty allows", "another difference than before")


class Agreement:
    """disagreement: |difference| against combined expanded uncertainty plus place difference."""

    def __init__(self, columns: Columns) -> None:
        self._columns = columns
        self._groups = by_size(columns.loops, without=("difference", "sum"))

    def examine(self, readings: Readings, unresolved: Bools) -> tuple[Condition, ...]:
        """(R, L) condition; evidence: the worst pair, its difference and its limit, what told.

        unresolved: (R, L) where the difference has changed and nobody could be blamed.
        """
        t, n_loops = self._columns.transducers, len(self._columns.loops.ids)
        shape = (len(readings), n_loops)
        u = standard_uncertainty(readings.time, t)
        excess = np.full(shape, -np.inf)
        difference, limit = np.full(shape, np.nan), np.full(shape, np.nan)
        higher, lower = np.full(shape, -1.0), np.full(shape, -1.0)
        suspect = np.full(shape, -1, dtype=np.int64)
        known = np.zeros(shape, dtype=np.bool_)
        for loops, members in self._groups:
            pressure = readings.pressure[:, members]
            place = self._columns.loops.place_difference[loops]
            for a, b in combinations(range(members.shape[1]), 2):
                d = pressure[..., a] - pressure[..., b]
                both = u[:, members[:, a]] ** 2 + u[:, members[:, b]] ** 2
                may = COVERAGE * np.sqrt(both) + place
                over = np.abs(d) - may
                worse = np.nan_to_num(over, nan=-np.inf) > excess[:, loops]
                for target, value in (
                    (excess, over), (difference, np.abs(d)), (limit, may),
                    (higher, np.where(d > 0, members[:, a], members[:, b])),
                    (lower, np.where(d > 0, members[:, b], members[:, a])),
                ):  # fmt: skip
                    target[:, loops] = np.where(worse, value, target[:, loops])
            known[:, loops] = (readings.quality[:, members] < Quality.BAD).all(axis=-1)
            known[:, loops] &= readings.fresh[:, members].any(axis=-1)
            if members.shape[1] >= VOTERS:
                suspect[:, loops] = _furthest(pressure, members)
        return (
            Condition(
                "disagreement", (excess > 0) | unresolved, known,
                {"difference_Pa": difference, "limit_Pa": limit,
                 "higher": higher, "lower": lower, "found_by": np.where(excess > 0, 0.0, 1.0)},
                words={"higher": t.ids, "lower": t.ids, "found_by": FOUND_BY},
                suspect=suspect,
                confidence=0.8,
            ),
        )  # fmt: skip


def _furthest(pressure: Floats, members: Ints) -> Ints:
    """(R, n) transducer column furthest from the median of its (R, n, m) peers."""
    middle = np.median(np.nan_to_num(pressure), axis=-1, keepdims=True)
    away = np.abs(np.nan_to_num(pressure) - middle).argmax(axis=-1)
    out: Ints = np.take_along_axis(
        np.broadcast_to(members, pressure.shape), away[..., None], axis=-1
    )[..., 0]
    return out
