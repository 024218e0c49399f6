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

    before: (n,) the value before the first row. Not to be written to: where every row is valid
    it is `values` itself, where none is it repeats `before`.
    """
    if valid.all():
        return values
    if not valid.any():
        return np.broadcast_to(before, values.shape)
    rows = np.arange(len(values))[:, None]
    latest = np.maximum.accumulate(np.where(valid, rows, -1), axis=0)
    held = np.take_along_axis(values, np.maximum(latest, 0), axis=0)
    return np.where(latest >= 0, held, before)


def shifted(filled: NDArray[Scalar], before: NDArray[Scalar]) -> NDArray[Scalar]:
    """(rows, n): what stood in the row before; `before` (n,) ahead of the first row."""
    return np.concatenate([before[None, :], filled[:-1]], axis=0)


def last(filled: NDArray[Scalar]) -> NDArray[Scalar]:
    """(n,) the last row, to be remembered: a copy of its own, which keeps no block alive."""
    kept: NDArray[Scalar] = filled[-1].copy()
    return kept


def zeroed(values: Floats) -> Floats:
    """The same shape, 0 where there is no number."""
    return np.where(np.isfinite(values), values, 0.0)


def column_time(time: Floats, n: int) -> Floats:
    """(rows, n): the row's time in every column."""
    return np.broadcast_to(time[:, None], (len(time), n))
