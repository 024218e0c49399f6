"""The plant's values as a controller's registers hold them."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from gateway.measure.blocks import Floats
from gateway.plant.controllers import Controller, Point, Table
from gateway.poll.words import LIMITS, decode, encode

Words = dict[Table, dict[int, int]]
"""Table -> address -> word."""


def words(controller: Controller, values: Iterable[float]) -> Words:
    """Every register of a controller; `values`: one a point, in file order.

    Values beyond what the registers can hold stop at their end, and bits share their register.
    """
    held: Words = {"input": {}, "holding": {}}
    for point, value in zip(controller.points.values(), values, strict=True):
        table = held[point.table]
        for k, word in enumerate(encode(point, storable(point, value)), point.address):
            table[k] = table.get(k, 0) | word if point.bit is not None else word
    return held


def storable(point: Point, value: float) -> float:
    """The nearest value that the point's registers can hold."""
    if point.type not in LIMITS:
        return value
    low, high = sorted(end * point.scale + point.offset for end in _ends(point))
    return min(high, max(low, value))


def _ends(point: Point) -> tuple[int, int]:
    """Least and greatest raw value that is not kept for "no value"."""
    low, high = (0, 1) if point.bit is not None else LIMITS[point.type]
    while low in point.invalid:
        low += 1
    while high in point.invalid:
        high -= 1
    return low, high


def after_registers(point: Point, column: Floats) -> Floats:
    """A column of values as they read after encode and decode, all at once.

    Whole numbers are rounded as `encode` rounds them, float32 loses its last digits.
    """
    if point.invalid:
        return np.array([decode(point, encode(point, storable(point, v))) for v in column.tolist()])
    raw = (column - point.offset) / point.scale
    if point.type == "float32":
        raw = raw.astype(np.float32).astype(np.float64)
    elif point.type in LIMITS:
        low, high = _ends(point)
        raw = np.clip(np.rint(raw), low, high)
    result: Floats = raw * point.scale + point.offset
    return result
