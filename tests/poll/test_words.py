"""Words and numbers: both ways, every type, every order."""

from __future__ import annotations

import struct
from math import inf, isclose, isnan, nan
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.plant.controllers import REGISTERS, Point
from gateway.poll.words import BEYOND, LIMITS, decode, encode

ORDERS = st.sampled_from(["high-first", "low-first"])
SCALES = st.sampled_from([1.0, 0.1, 0.01, -0.1, 10.0, 2.5])
OFFSETS = st.sampled_from([0.0, -100.0, 32.0])


def point(kind: str, **more: Any) -> Point:
    return Point.model_validate({"table": "holding", "address": 0, "type": kind} | more)


@pytest.mark.parametrize(
    ("kind", "words", "value"),
    [
        # Modbus Application Protocol V1.1b3, section 6.3: registers 108 to 110 of the example
        # hold 02 2B hex = 555, 0 and 100; section 6.4: 00 0A hex = 10.
        ("uint16", [0x022B], 555.0),
        ("uint16", [0x0064], 100.0),
        ("uint16", [0x000A], 10.0),
        # Two's complement and IEEE 754 bit patterns, worked by hand.
        ("int16", [0x8000], -32768.0),
        ("int16", [0xFFFF], -1.0),
        ("int32", [0xFFFF, 0xFFFE], -2.0),
        ("uint32", [0x0001, 0x0000], 65536.0),
        ("float32", [0x42F6, 0xE979], 123.45600128173828),
        ("float64", [0x400C, 0, 0, 0], 3.5),
    ],
)
def test_known_words(kind: str, words: list[int], value: float) -> None:
    assert decode(point(kind), words) == value
    assert encode(point(kind), value) == words


def test_orders_of_123_456() -> None:
    # 42 F6 E9 79 hex is 123.456 as IEEE 754 single precision; the four orders by hand.
    for word_order, byte_order, words in (
        ("high-first", "high-first", [0x42F6, 0xE979]),
        ("low-first", "high-first", [0xE979, 0x42F6]),
        ("high-first", "low-first", [0xF642, 0x79E9]),
        ("low-first", "low-first", [0x79E9, 0xF642]),
    ):
        noun = point("float32", word_order=word_order, byte_order=byte_order)
        assert isclose(decode(noun, words), 123.456, rel_tol=1e-7)
        assert encode(noun, 123.456) == words


def test_bytes_of_a_single_register() -> None:
    assert decode(point("uint16", byte_order="low-first"), [0x3412]) == 0x1234


@given(data=st.data(), kind=st.sampled_from(sorted(LIMITS)), words=ORDERS, bytes_=ORDERS,
       scale=SCALES, offset=OFFSETS)  # fmt: skip
def test_whole_numbers_round_trip(
    data: st.DataObject, kind: str, words: str, bytes_: str, scale: float, offset: float
) -> None:
    raw = data.draw(st.integers(*LIMITS[kind]))
    noun = point(kind, word_order=words, byte_order=bytes_, scale=scale, offset=offset)
    value = raw * scale + offset
    registers = encode(noun, value)
    assert len(registers) == REGISTERS[kind]
    assert all(0 <= word <= 65535 for word in registers)
    assert decode(noun, registers) == value


@given(raw=st.floats(width=32, allow_nan=False, allow_infinity=False), words=ORDERS, bytes_=ORDERS)
def test_float32_round_trip(raw: float, words: str, bytes_: str) -> None:
    noun = point("float32", word_order=words, byte_order=bytes_)
    assert decode(noun, encode(noun, raw)) == raw


@given(raw=st.floats(-BEYOND, BEYOND), words=ORDERS, bytes_=ORDERS)
def test_float64_round_trip(raw: float, words: str, bytes_: str) -> None:
    noun = point("float64", word_order=words, byte_order=bytes_)
    assert decode(noun, encode(noun, raw)) == raw


@given(word=st.integers(0, 65535), bit=st.integers(0, 15))
def test_bits(word: int, bit: int) -> None:
    noun = point("uint16", bit=bit)
    assert decode(noun, [word]) == (1.0 if word & 2**bit else 0.0)
    assert encode(noun, 1.0) == [2**bit]
    assert encode(noun, 0.0) == [0]


def test_value_is_rounded_to_the_raw_resolution() -> None:
    noun = point("int16", scale=0.1)
    assert encode(noun, 25.04) == [250]
    assert decode(noun, encode(noun, 25.04)) == 25.0


@pytest.mark.parametrize(
    ("kind", "invalid", "words"),
    [
        ("int16", -32768, [0x8000]),
        ("int16", 32768, [0x8000]),
        ("int16", 65535, [0xFFFF]),
        ("uint16", -1, [0xFFFF]),
        ("uint32", 4294967295, [0xFFFF, 0xFFFF]),
        ("int32", 2147483648, [0x8000, 0]),
        ("float32", -9999.9, list(struct.unpack(">HH", struct.pack(">f", -9999.9)))),
        ("float64", -1.0, [0xBFF0, 0, 0, 0]),
    ],
)
def test_invalid_raw_value(kind: str, invalid: float, words: list[int]) -> None:
    noun = point(kind, invalid=[invalid], scale=0.1)
    assert isnan(decode(noun, words))
    assert not isnan(decode(noun, [1] * len(words)))
    assert isnan(decode(noun, encode(noun, nan)))
    with pytest.raises(ValueError, match="no value"):
        encode(noun, decode(point(kind, scale=0.1), words))


def test_invalid_that_no_register_can_hold_never_matches() -> None:
    noun = point("int16", invalid=[70000, 1.5])
    assert decode(noun, [70000 - 65536]) == 4464.0
    with pytest.raises(ValueError, match="no invalid raw value"):
        encode(noun, nan)
    assert decode(point("float32", invalid=[1e300]), [0x7F7F, 0xFFFF]) > 3e38


def test_invalid_is_the_whole_word_of_a_bit_point() -> None:
    noun = point("uint16", bit=0, invalid=[65535])
    assert isnan(decode(noun, [65535]))
    assert decode(noun, [1]) == 1.0


@pytest.mark.parametrize("words", [[0x7FC0, 0], [0x7F80, 0], [0xFF80, 0], [0xFFFF, 0xFFFF]])
def test_float_nan_and_infinity_are_no_value(words: list[int]) -> None:
    assert isnan(decode(point("float32"), words))


def test_scaling_that_overflows_is_no_value() -> None:
    assert isnan(decode(point("float64", scale=1e10), [0x7FEF, 0xFFFF, 0xFFFF, 0xFFFF]))


def test_numbers_that_no_plant_has_are_no_value() -> None:
    assert isnan(decode(point("float64"), [0x7FE0, 1, 2, 3]))
    assert isnan(decode(point("float64"), [0xFFE0, 1, 2, 3]))
    assert decode(point("float32"), [0x7F7F, 0xFFFF]) > 3e38


@pytest.mark.parametrize(
    ("noun", "value", "allowed"),
    [
        (point("uint16"), -1.0, "allowed: 0 to 65535"),
        (point("uint16"), 65536.0, "allowed: 0 to 65535"),
        (point("int16", scale=-0.1, offset=5), 4000.0, r"allowed: -3271.7 to 3281.8"),
        (point("uint16", bit=3), 2.0, r"bit 3 of a uint16; allowed: 0 to 1"),
        (point("float32"), 1e39, "too large"),
        (point("int32"), inf, "allowed: finite numbers"),
        (point("int32", scale=1e-10), 1e308, "allowed: finite numbers"),
        (point("float64"), 1e51, "allowed: up to 1e\\+50"),
        (point("uint16"), nan, "no invalid raw value"),
    ],
)
def test_values_out_of_range(noun: Point, value: float, allowed: str) -> None:
    with pytest.raises(ValueError, match=allowed):
        encode(noun, value)


@pytest.mark.parametrize(("words", "message"), [([1], "1 words"), ([1, 70000], "0 to 65535")])
def test_wrong_words(words: list[int], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        decode(point("uint32"), words)
