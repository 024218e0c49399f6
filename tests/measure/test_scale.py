"""Counts to milliamps or volts to pressure, and the bands in which a reading is believed."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.measure.blocks import Readings
from gateway.measure.measure import Measure
from gateway.measure.quality import Quality, Reason
from tests.sites import V_CARD, block, site, transducer

WIDE_MA = {"counts": [0, 32000], "electrical": [0, 32], "unit": "mA", "clamps": False}
WIDE_V = {"counts": [-32000, 32000], "electrical": [-16, 16], "unit": "V", "clamps": False}

# Columns: mA, % of span at 4-20, volts on 250 ohm, % shown if set to 0-20, NE 43 class.
# Computed from the ranges; classes: NAMUR NE 43 (2003) limits from secondary texts.
NE_43 = [
    (0.0, -25.0, 0.0, 0.0, "failure"),
    (3.6, -2.5, 0.9, 18.0, "failure"),
    (3.7, -1.875, 0.925, 18.5, "undefined"),
    (3.8, -1.25, 0.95, 19.0, "measurement"),
    (4.0, 0.0, 1.0, 20.0, "measurement"),
    (12.0, 50.0, 3.0, 60.0, "measurement"),
    (20.0, 100.0, 5.0, 100.0, "measurement"),
    (20.5, 103.125, 5.125, 102.5, "measurement"),
    (20.8, 105.0, 5.2, 104.0, "undefined"),
    (21.0, 106.25, 5.25, 105.0, "failure"),
    (24.0, 125.0, 6.0, 120.0, "failure"),
]
CLASS = {
    Reason.FAILURE_LOW: "failure",
    Reason.FAILURE_HIGH: "failure",
    Reason.UNDEFINED_BAND: "undefined",
    Reason.UNDER_RANGE: "measurement",
    Reason.OVER_RANGE: "measurement",
    Reason.NONE: "measurement",
}


def read(counts: float, **changes: Any) -> Readings:
    """One row of one transducer 0..100 Pa."""
    noun = transducer("a.c1", **({"range": [0, 100]} | changes))
    one = site({"p1": noun}, {})
    return Measure(one).examine(block(one, {"a.c1": [counts]}))


@pytest.mark.parametrize(("mA", "percent", "volts", "as_0_20", "band"), NE_43)
def test_worked_values_of_4_to_20_milliamps(
    mA: float, percent: float, volts: float, as_0_20: float, band: str
) -> None:
    seen = read(mA * 1000, input=WIDE_MA)
    assert seen.electrical[0, 0] == pytest.approx(mA)
    assert seen.pressure[0, 0] == pytest.approx(percent)
    assert CLASS[Reason(int(seen.reasons[0, 0]))] == band
    on_shunt = read(volts * 2000, input=WIDE_V | {"shunt_ohm": 250})
    assert on_shunt.electrical[0, 0] == pytest.approx(mA)
    assert on_shunt.pressure[0, 0] == pytest.approx(percent)
    assert on_shunt.reasons[0, 0] == seen.reasons[0, 0]
    wrong = read(mA * 1000, input=WIDE_MA, signal="0-20 mA")
    assert wrong.pressure[0, 0] == pytest.approx(as_0_20)


# IEC 60381-1 and -2 ranges (secondary list); 2-10 V and +/-5 V: common practice, no source.
@pytest.mark.parametrize(
    ("signal", "low", "high"),
    [
        ("4-20 mA", 4, 20),
        ("0-20 mA", 0, 20),
        ("0-10 V", 0, 10),
        ("2-10 V", 2, 10),
        ("0-5 V", 0, 5),
        ("1-5 V", 1, 5),
        ("+/-10 V", -10, 10),
        ("+/-5 V", -5, 5),
    ],
)
@pytest.mark.parametrize("percent", [0.0, 25.0, 50.0, 75.0, 100.0])
def test_every_signal_spans_its_range(signal: str, low: float, high: float, percent: float) -> None:
    card = WIDE_MA if signal.endswith("mA") else WIDE_V
    per_unit = 1000 if signal.endswith("mA") else 2000
    value = low + (high - low) * percent / 100
    seen = read(value * per_unit, input=card, signal=signal, range=[-50, 150])
    assert seen.pressure[0, 0] == pytest.approx(-50 + 2 * percent)
    assert seen.quality[0, 0] == Quality.GOOD


def test_0_to_20_milliamps_cannot_fail_low() -> None:
    assert read(0, input=WIDE_MA, signal="0-20 mA").quality[0, 0] == Quality.GOOD


def test_a_reading_at_the_top_of_the_input_is_uncertain() -> None:
    seen = read(27648, input=V_CARD, signal="0-10 V")
    assert seen.reasons[0, 0] == Reason.INPUT_LIMIT
    assert seen.quality[0, 0] == Quality.UNCERTAIN


def test_a_unipolar_zero_at_rest_is_good_but_a_bipolar_one_is_not() -> None:
    assert read(0, input=V_CARD, signal="0-10 V").quality[0, 0] == Quality.GOOD
    bipolar = read(0, input=V_CARD, signal="0-10 V", range=[-50, 50])
    assert bipolar.reasons[0, 0] == Reason.INPUT_LIMIT


def test_limits_can_be_set_for_one_transducer() -> None:
    seen = read(3700, input=WIDE_MA, bands={"failure_low": 3.75})
    assert seen.reasons[0, 0] == Reason.FAILURE_LOW


@given(
    counts=st.tuples(st.integers(-32768, 0), st.integers(1, 65535)),
    electrical=st.sampled_from([(0.0, 20.0), (0.0, 24.0), (4.0, 20.0), (20.0, 0.0)]),
    percent=st.floats(-50, 150),
)
def test_scaling_and_its_inverse(
    counts: tuple[int, int], electrical: tuple[float, float], percent: float
) -> None:
    mA = 4 + 0.16 * percent
    share = (mA - electrical[0]) / (electrical[1] - electrical[0])
    raw = counts[0] + share * (counts[1] - counts[0])
    card = {"counts": counts, "electrical": electrical, "unit": "mA", "clamps": False}
    seen = read(raw, input=card, range=[-20, 80])
    assert seen.pressure[0, 0] == pytest.approx(-20 + percent, abs=1e-6)


def test_nan_stays_nan_with_its_reason() -> None:
    one = site()
    seen = Measure(one).examine(block(one, {"a.c1": [np.nan], "a.c2": [15000]}))
    assert np.isnan(seen.pressure[0, 0])
    assert seen.reasons[0, 0] == Reason.NO_COMMUNICATION
    assert seen.quality[0, 1] == Quality.GOOD
    assert np.isnan(seen.combined[0, 0])
    assert seen.combined_quality[0, 0] == Quality.BAD
