"""The table of known mistakes against lines worked out from the signal ranges."""

from __future__ import annotations

import numpy as np
import pytest

from gateway.diagnose.line import Fit, Lines
from gateway.diagnose.mistakes import (
    FAULTS,
    LIVE,
    PERCENT,
    RANGE,
    SIGNAL,
    SIGNAL_MISTAKES,
    UNIT,
    mistake_columns,
    named,
    of_signal,
    of_unit,
)  # fmt: skip
from gateway.measure.columns import columns
from tests.sites import site, transducer


# Shown % = gain x true % + offset: worked out from the ranges, as in the table of fault signatures.
@pytest.mark.parametrize(
    ("sends", "words", "gain", "offset"),
    [
        ("4-20 mA", "4-20 mA taken for 0-20 mA", 0.8, 20),
        ("0-20 mA", "0-20 mA taken for 4-20 mA", 1.25, -25),
        ("2-10 V", "2-10 V taken for 0-10 V", 0.8, 20),
        ("0-10 V", "0-10 V taken for 2-10 V", 1.25, -25),
        ("1-5 V", "1-5 V taken for 0-5 V", 0.8, 20),
        ("0-5 V", "0-5 V taken for 1-5 V", 1.25, -25),
        ("0-10 V", "0-10 V taken for 0-5 V", 2, 0),
        ("0-5 V", "0-5 V taken for 0-10 V", 0.5, 0),
        ("1-5 V", "1-5 V taken for 0-10 V", 0.4, 10),
        ("1-5 V", "1-5 V taken for 2-10 V", 0.5, -12.5),
        ("2-10 V", "2-10 V taken for 1-5 V", 2, 25),
        ("4-20 mA", "250 ohm where 500 ohm is meant", 0.5, -12.5),
        ("4-20 mA", "500 ohm where 250 ohm is meant", 2, 25),
        ("4-20 mA", "4-20 mA on 250 ohm taken for 0-10 V", 0.4, 10),
        ("4-20 mA", "4-20 mA on 500 ohm taken for 0-10 V", 0.8, 20),
        ("0-10 V", "0-10 V on a 250 ohm input set for 4-20 mA", 2.5, -25),
        ("0-10 V", "0-10 V on a 500 ohm input set for 4-20 mA", 1.25, -25),
        ("4-20 mA", "500 ohm beside the input's own 250 ohm", 2 / 3, -25 / 3),
        ("4-20 mA", "500 and 250 ohm side by side, taken for 2-10 V", 1 / 3, -50 / 3),
    ],
)
def test_signal_mistakes(sends: str, words: str, gain: float, offset: float) -> None:
    found = next(m for m in of_signal(sends) if m.words == words)
    assert found.gain == pytest.approx(gain)
    assert found.offset == pytest.approx(offset)


def test_the_table_has_no_mistake_that_reads_right() -> None:
    for sends, *_ in SIGNAL_MISTAKES:
        for mistake in of_signal(sends):
            assert (round(mistake.gain, 6), round(mistake.offset, 6)) != (1, 0)


def test_units_and_per_cent() -> None:
    # Range 0..2 inH2O shown in mm: 25.4 times (NIST SP 811); in per cent: 0.10 of 0.50 shows 20.
    inch = 249.08891
    mm = next(m for m in of_unit(0, 2 * inch, inch) if m.words.endswith("mmH2O"))
    assert mm.fault == UNIT
    assert mm.gain == pytest.approx(25.4)
    assert mm.offset == 0
    percent = next(m for m in of_unit(0, 0.5 * inch, inch) if m.fault == PERCENT)
    shown = percent.gain * 20 + percent.offset
    assert shown / 100 * 0.5 == pytest.approx(20)
    # Bipolar: zero pressure must stay zero in any unit.
    for m in of_unit(-25, 125, 1.0):
        if m.fault == UNIT:
            assert m.gain * 20 + m.offset == pytest.approx(20)
    assert of_unit(-25, 125, float("nan")) == ()


def test_nearly_equal_units_are_one() -> None:
    words = [m.words for m in of_unit(0, 100, 100.0)]
    assert not any("mbar" in w or "inH2O_4C" in w or "inH2O_60F" in w for w in words)
    assert "the number is in cmH2O" in words


def fit(gain: float, offset: float, *, at: float = 60.0, spread: float = 2.0) -> Fit:
    """A line through exact minutes around `at` % of span."""
    lines = Lines(1)
    for x in np.linspace(at - spread, at + spread, 9):
        lines.add(np.array([x]), np.array([gain * x + offset]), np.array([True]))
    return lines.fit(np.zeros(1))


def here(**changes: object) -> object:
    points = {
        "c1": {"table": "input", "address": 0},
        "v1": {"table": "holding", "address": 0, "type": "float32", "unit": "Pa"},
    }
    return mistake_columns(
        columns(
            site(
                {"p1": transducer("a.c1", controller_value="a.v1", **changes)}, {},
                {"a": {"host": "127.0.0.1", "points": points}},
            )
        )
    )  # fmt: skip


@pytest.mark.parametrize(
    ("gain", "offset", "fault"),
    [
        (2, 25, SIGNAL), (0.5, -12.5, SIGNAL), (1.8, 0, RANGE), (0.8, 20, LIVE),
        (1 / 9.80665, 20 * (1 - 1 / 9.80665), UNIT), (-1.0, 100, RANGE),
    ],
)  # fmt: skip
def test_naming(gain: float, offset: float, fault: int) -> None:
    found = named(fit(gain, offset), here(), np.array([-1]))  # type: ignore[arg-type] # shorter
    assert FAULTS[int(found.fault[0])] == FAULTS[fault]


def test_what_cannot_be_told_apart_is_said() -> None:
    # -25..100 Pa: 4-20 mA read as 0-20 mA, per cent, and a range of 0..100 are one line.
    found = named(fit(0.8, 20), here(), np.array([-1]))  # type: ignore[arg-type] # shorter
    assert found.sure[0] < 0.5
    assert int(found.others[0]) == 2**PERCENT | 2**RANGE
    # With 0..100 Pa per cent is right, and nothing but the range fits as well.
    other = named(fit(0.8, 20), here(range=[0, 100]), np.array([-1]))  # type: ignore[arg-type] # shorter
    assert int(other.others[0]) == 2**RANGE
    assert other.sure[0] > found.sure[0]
