"""Wrong settings of a controller's input have the slope and offset that arithmetic says.

Signatures worked out from the signal ranges (computed, no other source).
"""

from __future__ import annotations

import pytest

from gateway.demo.drive import Input
from gateway.plant.site import Site
from gateway.plant.transducers import InputCard, Transducer


def percent_device(signal: str, unit: str, high: float) -> Transducer:
    """A device of 0 to 100 Pa, so that pascals are percent of span."""
    return Transducer.model_validate(
        {
            "counts": "a.c", "signal": signal, "range": [0, 100], "unit": "Pa",
            "input": {"counts": [0, 20000], "electrical": [0, high], "unit": unit},
        }
    )  # fmt: skip


# Displayed = g x true + o, in percent of span.
SETTINGS = [
    ("4-20 mA", "mA", 20.0, "live-zero-mismatch", 0.0, 0.8, 20.0),
    ("2-10 V", "V", 10.0, "live-zero-mismatch", 0.0, 0.8, 20.0),
    ("0-10 V", "V", 10.0, "live-zero-mismatch", 0.0, 1.25, -25.0),
    ("0-20 mA", "mA", 20.0, "live-zero-mismatch", 0.0, 1.25, -25.0),
    ("0-10 V", "V", 10.0, "signal-mismatch", 0.0, 2.0, 0.0),
    ("4-20 mA", "mA", 20.0, "signal-mismatch", 0.0, 2.0, 25.0),
    ("4-20 mA", "mA", 20.0, "range-mismatch", 200.0, 2.0, 0.0),
    ("0-10 V", "V", 10.0, "unit-mismatch", 25.4, 25.4, 0.0),
    ("0-10 V", "V", 10.0, "percent-for-value", 0.0, 1.0, 0.0),
]


@pytest.mark.parametrize(("signal", "unit", "high", "fault", "size", "g", "o"), SETTINGS)
def test_setting_faults_have_their_slope_and_offset(
    signal: str, unit: str, high: float, fault: str, size: float, g: float, o: float
) -> None:
    noun = percent_device(signal, unit, high)
    one = Input(noun, "Pa")
    one.faults[fault] = size
    sends = noun.sends()
    for percent in (0.0, 50.0, 100.0):
        sent = sends.low + percent / 100.0 * (sends.high - sends.low)
        assert one.scale(sent / high * 20000.0) == pytest.approx(g * percent + o, abs=1e-9)


def test_percent_shown_for_inches(archive: Site) -> None:
    # 0.10 of 0.50 inH2O shows 20; here 0.5 of 2 inH2O shows 25.
    one = Input(archive.transducers["dp-301"], "inH2O")
    one.faults["percent-for-value"] = 0.0
    assert one.scale(4095 / 4) == pytest.approx(25.0)


def test_range_mismatch_of_a_negative_range_moves_its_low_end(archive: Site) -> None:
    one = Input(archive.transducers["dp-401"], "Pa")
    one.faults["range-mismatch"] = -1000.0
    assert one.scale(2000.0) == pytest.approx(-1000.0)
    assert one.scale(10000.0) == pytest.approx(0.0)


def test_shunt_turns_milliamps_into_volts_at_the_card() -> None:
    noun = percent_device("4-20 mA", "mA", 20.0)
    card = InputCard(counts=(0, 10000), electrical=(0, 10), unit="V", shunt_ohm=500.0)
    one = Input(noun.model_copy(update={"input": card}), "Pa")
    assert one.scale(2000.0) == pytest.approx(0.0)  # 4 mA on 500 ohm is 2 V
    assert one.scale(10000.0) == pytest.approx(100.0)
