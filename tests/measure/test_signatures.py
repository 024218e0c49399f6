"""A device on an input set for another signal: what is then shown, for every known mistake."""

from __future__ import annotations

from typing import Any

import pytest

from gateway.measure.measure import Measure
from gateway.plant.signals import SIGNALS
from tests.sites import block, site, transducer

# Shown % = gain x true % + offset, worked out from the signal ranges: what the device sends, what
# the input is set for, electrical units at the input for each that is sent (a shunt in kilohm, or
# its reciprocal), gain, offset. The last four read right: only source loading shows two of them.
SIGNATURES = [
    ("4-20 mA", "0-20 mA", 1, 0.8, 20),
    ("0-20 mA", "4-20 mA", 1, 1.25, -25),
    ("2-10 V", "0-10 V", 1, 0.8, 20),
    ("0-10 V", "2-10 V", 1, 1.25, -25),
    ("1-5 V", "0-5 V", 1, 0.8, 20),
    ("0-5 V", "1-5 V", 1, 1.25, -25),
    ("0-10 V", "0-5 V", 1, 2, 0),
    ("0-5 V", "0-10 V", 1, 0.5, 0),
    ("1-5 V", "0-10 V", 1, 0.4, 10),
    ("1-5 V", "2-10 V", 1, 0.5, -12.5),
    ("2-10 V", "1-5 V", 1, 2, 25),
    ("4-20 mA", "2-10 V", 0.25, 0.5, -12.5),
    ("4-20 mA", "1-5 V", 0.5, 2, 25),
    ("4-20 mA", "0-10 V", 0.25, 0.4, 10),
    ("4-20 mA", "0-10 V", 0.5, 0.8, 20),
    ("0-10 V", "4-20 mA", 4, 2.5, -25),
    ("0-10 V", "4-20 mA", 2, 1.25, -25),
    ("4-20 mA", "4-20 mA", 2 / 3, 2 / 3, -25 / 3),
    ("4-20 mA", "2-10 V", 1 / 6, 1 / 3, -50 / 3),
    ("4-20 mA", "1-5 V", 0.25, 1, 0),
    ("4-20 mA", "2-10 V", 0.5, 1, 0),
    ("2-10 V", "4-20 mA", 2, 1, 0),
    ("1-5 V", "4-20 mA", 4, 1, 0),
]


@pytest.mark.parametrize(("device", "taken_for", "factor", "gain", "offset"), SIGNATURES)
def test_what_a_wrong_setting_shows(
    device: str, taken_for: str, factor: float, gain: float, offset: float
) -> None:
    unit = SIGNALS[taken_for].unit
    card: dict[str, Any] = {
        "counts": [0, 1000], "electrical": [0, 1], "unit": unit, "clamps": False,
    }  # fmt: skip
    noun = transducer("a.c1", signal=taken_for, input=card, range=[0, 100])
    here = site({"p1": noun}, {})
    low, high = SIGNALS[device].low, SIGNALS[device].high
    true = [0.0, 10.0, 50.0, 100.0]
    counts = [1000 * factor * (low + (high - low) * p / 100) for p in true]
    shown = Measure(here).examine(block(here, {"a.c1": counts})).pressure[:, 0]
    assert shown == pytest.approx([gain * p + offset for p in true])
