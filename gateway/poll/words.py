"""Register words become numbers, and numbers become words.

A register holds 16 bits. Values that fill several registers follow the point's `word_order`; the
two bytes inside a register follow its `byte_order`. Big-endian registers are what Modbus
Application Protocol V1.1b3 section 4.2 lays down; the rest is what makers do (common practice).
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from math import isfinite, isnan, nan

from gateway.plant.controllers import Point

_FORMATS = {
    "int16": ">h", "uint16": ">H", "int32": ">i", "uint32": ">I", "float32": ">f", "float64": ">d",
}  # fmt: skip

LIMITS: dict[str, tuple[int, int]] = {
    "int16": (-(2**15), 2**15 - 1),
    "uint16": (0, 2**16 - 1),
    "int32": (-(2**31), 2**31 - 1),
    "uint32": (0, 2**32 - 1),
}
"""Least and greatest raw value of the whole-number types."""


BEYOND = 1e50
"""No number of a plant is as large: such bits are those of something else, and what is computed
with them, squares for one, would overflow."""


def decode(point: Point, words: Sequence[int]) -> float:
    """The value of a point in its unit; NaN when its words say "no value".

    `words`: as many as the point fills, each 0 to 65535, in the order they stand in the
    controller; ValueError otherwise. "No value" is one of `point.invalid` (compared with the raw
    value of all its bits, before scale, offset and bit), NaN, infinity or beyond BEYOND.
    """
    raw = _raw(point, words)
    if point.invalid and _means_nothing(point, raw):
        return nan
    if point.bit is not None:
        raw = int(raw) >> point.bit & 1
    value = raw * point.scale + point.offset
    return value if abs(value) <= BEYOND else nan


def encode(point: Point, value: float) -> list[int]:
    """The words that `decode` turns back into `value`, rounded to the raw resolution.

    A bit point gives a word with nothing but that bit. NaN gives the point's first `invalid` raw
    value, or a floating point NaN. ValueError for a value that the registers cannot hold.
    """
    if isnan(value):
        return _nothing(point)
    target = (value - point.offset) / point.scale
    if not isfinite(target):
        raise ValueError(f"{value:g} in a {point.type}: raw {target}; allowed: finite numbers")
    if abs(value) > BEYOND:
        raise ValueError(f"{value:g} in a {point.type}; allowed: up to {BEYOND:g}")
    if point.bit is not None:
        return _words(point, _within(point, value, round(target), (0, 1)) << point.bit)
    if point.type not in LIMITS:
        return _float_words(point, value, target)
    raw = _within(point, value, round(target), LIMITS[point.type])
    if _means_nothing(point, raw):
        raise ValueError(f'{value:g}: raw {raw} is one of invalid and would mean "no value"')
    return _words(point, raw)


def _raw(point: Point, words: Sequence[int]) -> float:
    if len(words) != point.registers:
        raise ValueError(f"{len(words)} words for a {point.type}; allowed: {point.registers}")
    ordered = words if point.word_order == "high-first" else words[::-1]
    endian = ">" if point.byte_order == "high-first" else "<"
    try:
        data = struct.pack(f"{endian}{len(ordered)}H", *ordered)
    except struct.error:
        raise ValueError(f"words {list(words)}; allowed: 0 to 65535 each") from None
    raw: float = struct.unpack(_FORMATS[point.type], data)[0]
    return raw


def _words(point: Point, raw: float) -> list[int]:
    data = struct.pack(_FORMATS[point.type], raw)
    endian = ">" if point.byte_order == "high-first" else "<"
    words = list(struct.unpack(f"{endian}{point.registers}H", data))
    return words if point.word_order == "high-first" else words[::-1]


def _means_nothing(point: Point, raw: float) -> bool:
    return any(_same(point, raw, sentinel) for sentinel in point.invalid)


def _same(point: Point, raw: float, sentinel: float) -> bool:
    if point.type == "float32":
        # The file says -9999.9; the nearest float32 is another number.
        return raw == _nearest_float32(sentinel)
    if point.type == "float64":
        return raw == sentinel
    # Manuals print 8000h or 65535 for signed registers too, so the bits decide, not the sign.
    size = 2 ** (16 * point.registers)
    return -size // 2 <= sentinel < size and raw - sentinel in (0, size, -size)


def _nearest_float32(value: float) -> float:
    try:
        nearest: float = struct.unpack(">f", struct.pack(">f", value))[0]
    except OverflowError:
        return nan
    return nearest


def _nothing(point: Point) -> list[int]:
    if point.type not in LIMITS:
        return _words(point, nan)
    for sentinel in point.invalid:
        raw = round(sentinel)
        for same in (raw, raw - 2 ** (16 * point.registers), raw + 2 ** (16 * point.registers)):
            low, high = LIMITS[point.type]
            if low <= same <= high and _same(point, same, sentinel):
                return _words(point, same)
    raise ValueError(f'NaN in a {point.type}: no invalid raw value is given to say "no value"')


def _within(point: Point, value: float, raw: int, limits: tuple[int, int]) -> int:
    low, high = limits
    if not low <= raw <= high:
        kind = point.type if point.bit is None else f"bit {point.bit} of a {point.type}"
        ends = sorted(end * point.scale + point.offset for end in limits)
        raise ValueError(f"{value:g} in a {kind}; allowed: {ends[0]:g} to {ends[1]:g}")
    return raw


def _float_words(point: Point, value: float, target: float) -> list[int]:
    try:
        words = _words(point, target)
    except OverflowError:
        raise ValueError(f"{value:g} in a {point.type}: too large for it") from None
    if _means_nothing(point, _raw(point, words)):
        raise ValueError(f'{value:g}: raw {target:g} is one of invalid and would mean "no value"')
    return words
