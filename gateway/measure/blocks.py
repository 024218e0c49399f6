"""The two tables that pass through the heart.

Rows are scan times, columns are points (Block) or transducers and loops (Readings); NaN is "no
reading". Live running makes one-row blocks, replay a day at a time; the code is the same.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Codes = NDArray[np.uint8]
Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class Block:
    """Decoded register values as polled.

    time: (rows,) seconds since 1970 UTC, rising. values: (rows, points), NaN where there is no
    reading. reasons: (rows, points) `Reason` codes: NONE with a value, NOT_DUE where the
    controller was not polled between this row and the one before, else why the read failed.
    """

    time: Floats
    values: Floats
    reasons: Codes

    def __len__(self) -> int:
        return len(self.time)

    def rows(self, start: int, stop: int) -> Block:
        """Rows start up to, not including, stop."""
        part = slice(start, stop)
        return Block(self.time[part], self.values[part], self.reasons[part])


@dataclass(frozen=True)
class Readings:
    """What the registers mean: R rows; T transducers, L loops, C controllers, P points.

    Pressures in Pa. `electrical` in the unit of the transducer's signal (mA or V). `fresh` is
    True where the row brought a new reading. Values of controllers not due are those of the row
    before, until they are stale; then NaN.
    """

    time: Floats
    points: Floats
    """(R, P) decoded values, held."""
    point_reasons: Codes
    """(R, P) reason of the held value."""
    point_fresh: Bools
    """(R, P)."""
    link: Codes
    """(R, C) reason of the controller's latest poll: NONE, NO_COMMUNICATION, BAD_REPLY ..."""
    polled: Bools
    """(R, C) True where the row brought an answer or a failure of this controller."""
    counts: Floats
    """(R, T)."""
    electrical: Floats
    """(R, T) mA or V."""
    pressure: Floats
    """(R, T) Pa, from the electrical signal and the nameplate range, not clamped."""
    quality: Codes
    """(R, T)."""
    reasons: Codes
    """(R, T)."""
    fresh: Bools
    """(R, T)."""
    controller_value: Floats
    """(R, T) Pa, what the controller makes of the same input; NaN where it does not say."""
    combined: Floats
    """(R, L) Pa."""
    combined_quality: Codes
    """(R, L) that of the worst input."""
    combined_reasons: Codes
    """(R, L) MEMBER where an input is not good."""
    driver: NDArray[np.int64]
    """(R, L) transducer that decides minimum, maximum or an odd median; -1 where none does."""
    feedback: Floats
    """(R, L) Pa, as the controller reports it."""
    setpoint: Floats
    """(R, L) Pa."""
    output: Floats
    """(R, L) in the output point's unit."""
    running: Floats
    """(R, L) 1 running, 0 stopped, NaN not known."""

    def __len__(self) -> int:
        return len(self.time)
