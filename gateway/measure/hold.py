"""Remembering along a column: the last value before a row, across blocks.

These are what make one-row blocks and day-long blocks give the same answer.
"""

from __future__ import annotations

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from .blocks import Bools, Floats

Scalar = TypeVar("Scalar", bound=np.generic)


def forward_fill(values: NDArray[Scalar], valid: Bools, before: NDArray[Scalar]) -> NDArray[Scalar]:
    """(rows, n): each row's latest value at a valid row up to and with itself.

    before: (n,) the value before the first row. Returns a new array.
    """
    rows = np.arange(len(values))[:, None]
    latest = np.maximum.accumulate(np.where(valid, rows, -1), axis=0)
    held = np.take_along_axis(values, np.maximum(latest, 0), axis=0)
    return np.where(latest >= 0, held, before)


def shifted(filled: NDArray[Scalar], before: NDArray[Scalar]) -> NDArray[Scalar]:
    """(rows, n): what stood in the row before; `before` (n,) ahead of the first row."""
    return np.concatenate([before[None, :], filled[:-1]], axis=0)


def column_time(time: Floats, n: int) -> Floats:
    """(rows, n): the row's time in every column."""
    return np.broadcast_to(time[:, None], (len(time), n))
