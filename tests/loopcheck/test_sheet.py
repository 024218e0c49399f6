"""The commissioning sheet against signal tables worked out by hand.

mA to % and to volts on 250 and 500 ohm: computed; failure bands: NAMUR NE 43 (2003) from several
secondary texts.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from gateway.demo.control import demo_site_path
from gateway.loopcheck.sheet import counts_at, sheet
from gateway.measure import scale
from gateway.measure.columns import columns
from gateway.plant.signals import SIGNALS
from gateway.plant.sitefile import read_site
from tests.sites import V_CARD, site, transducer

DEMO = read_site(demo_site_path())


def loop(key: str) -> Any:
    (found,) = sheet(DEMO, [key])["loops"]
    return found


def rows(points: list[dict[str, Any]], *names: str) -> list[tuple[Any, ...]]:
    return [tuple(point[name] for name in names) for point in points]


def test_stair_b_by_hand() -> None:
    first = loop("stair-b")["transducers"][0]
    assert rows(first["points"], "percent", "pressure", "sent", "counts", "value") == [
        (0, -25, 4, 6400, -25), (25, 6.25, 8, 12800, 6.25), (50, 37.5, 12, 19200, 37.5),
        (75, 68.75, 16, 25600, 68.75), (100, 100, 20, 32000, 100),
    ]  # fmt: skip
    bands = {(b["means"], b["side"]): (b["sent"], b["counts"]) for b in first["bands"]}
    assert bands["the device reports its own failure", "at or below"] == (3.6, 5760)
    # This input ends at 20 mA: what lies above cannot be told.
    assert bands["the device reports its own failure", "at or above"] == (21.0, None)
    settings = {s["name"]: s["value"] for s in first["settings"]}
    assert settings == {
        "Input signal": "4 to 20 mA", "Live zero": "on (4 mA is the range minimum)",
        "Range minimum": "-25 Pa", "Range maximum": "100 Pa", "Unit": "Pa",
    }  # fmt: skip


def test_loop_settings() -> None:
    said = {s["name"]: s["value"] for s in loop("stair-b")["settings"]}
    assert said["Feedback"] == "average of all inputs"
    assert said["Feedback scale"] == "-25 to 100 Pa"
    assert said["Set point scale"] == "-25 to 100 Pa, in steps of 0.1 (register sf-2.setpoint)"
    assert said["Direction of action"].startswith("reverse")
    assert said["Output"] == "15 to 60 Hz"
    assert said["Limits watched"] == "low 25 Pa, high 80 Pa"
    plenum = {s["name"]: s["value"] for s in loop("exhaust-plenum")["settings"]}
    assert plenum["Feedback"] == "middle one of all inputs"
    assert plenum["Direction of action"].startswith("direct")


def test_scales_are_in_the_units_of_the_controller() -> None:
    """A loop in Pa whose controller reports kPa; a hundredth is a step, whichever its sign."""
    points = {
        "c1": {"table": "input", "address": 0},
        "f": {"table": "input", "address": 1, "type": "float32", "unit": "kPa"},
        "s": {"table": "input", "address": 3, "type": "int16", "scale": -0.01, "unit": "inH2O"},
    }
    here = site(
        {"p1": transducer("a.c1", range=[-250, 1000])},
        {
            "duct": {
                "transducers": ["p1"], "combine": "single", "feedback": "a.f", "setpoint": "a.s",
            }
        },
        {"a": {"host": "127.0.0.1", "points": points}},
    )  # fmt: skip
    said = {s["name"]: s["value"] for s in sheet(here)["loops"][0]["settings"]}
    assert said["Feedback scale"] == "-0.25 to 1 kPa"
    # 250 / 249.08891 and 1000 / 249.08891 (NIST SP 811 B.8).
    assert said["Set point scale"] == "-1.00366 to 4.01463 inH2O, in steps of 0.01 (register a.s)"


def test_a_true_zero_has_no_low_failure_band() -> None:
    first = loop("ahu-1-supply")["transducers"][0]
    assert rows(first["points"], "pressure", "sent", "counts") == [
        (0, 0, 0), (0.5, 2.5, 1024), (1, 5, 2048), (1.5, 7.5, 3071), (2, 10, 4095),
    ]  # fmt: skip
    assert [b["side"] for b in first["bands"]] == ["at or above"]
    settings = {s["name"]: s["value"] for s in first["settings"]}
    assert settings["Live zero"] == "off (0 V is the range minimum)"


@pytest.mark.parametrize(("ohm", "volts"), [(250, [1, 2, 3, 4, 5]), (500, [2, 4, 6, 8, 10])])
def test_milliamps_on_a_resistor(ohm: float, volts: list[float]) -> None:
    card = V_CARD | {"shunt_ohm": ohm}
    here = site({"p1": transducer("a.c1", input=card), "p2": transducer("a.c2", input=card)})
    (made,) = sheet(here)["loops"]
    first = made["transducers"][0]
    assert [p["sent"] for p in first["points"]] == [4, 8, 12, 16, 20]
    assert [p["at_input"] for p in first["points"]] == volts
    settings = {s["name"]: s["value"] for s in first["settings"]}
    assert settings["Resistor at the input"] == f"{ohm:g} ohm"
    assert settings["Input signal"] == f"{volts[0]:g} to {volts[-1]:g} V"


def test_the_sheet_and_the_measurement_are_each_others_reverse() -> None:
    t = columns(DEMO).transducers
    for place, key in enumerate(DEMO.transducers):
        noun = DEMO.transducers[key]
        for percent in (0.0, 25.0, 50.0, 75.0, 100.0):
            sent = noun.sends().low + (noun.sends().high - noun.sends().low) * percent / 100
            counts = counts_at(DEMO, noun, sent)
            assert counts is not None
            row = np.zeros((1, len(t.ids)))
            row[0, place] = counts
            pascals = scale.pressure(scale.electrical(row, t), t)[0, place]
            shown = 100 * (pascals - noun.lrv_pa) / noun.span_pa
            assert shown == pytest.approx(percent, abs=0.02), "within half a count"


@pytest.mark.parametrize(
    ("point", "expected"),
    [
        ({"scale": 0.001, "unit": "V"}, [0, 2.5, 5, 7.5, 10]),
        ({"scale": 0.4, "unit": "V"}, [0, 2.4, 4.8, 7.6, 10]),
        ({"type": "float32", "unit": "V"}, [0, 2.5, 5, 7.5, 10]),
        ({}, [0, 2, 5, 8, 10]),
    ],
)
def test_an_input_told_in_volts_is_not_rounded_to_whole_ones(
    point: dict[str, Any], expected: list[float]
) -> None:
    card = {"counts": [0, 10], "electrical": [0, 10], "unit": "V"}
    here = site(
        {"p1": transducer("a.c1", input=card, signal="0-10 V")},
        {"stair": {"transducers": ["p1"], "combine": "single"}},
        {"a": {"host": "127.0.0.1", "points": {"c1": {"table": "input", "address": 0, **point}}}},
    )
    points = sheet(here)["loops"][0]["transducers"][0]["points"]
    assert [one["counts"] for one in points] == pytest.approx(expected)


def test_every_signal_has_a_sheet() -> None:
    for name, signal in SIGNALS.items():
        card = {"counts": [0, 1000], "electrical": [-12, 24], "unit": signal.unit}
        here = site({k: transducer(f"a.c{n}", signal=name, input=card)
                     for n, k in ((1, "p1"), (2, "p2"))})  # fmt: skip
        points = sheet(here)["loops"][0]["transducers"][0]["points"]
        assert [points[0]["sent"], points[-1]["sent"]] == [signal.low, signal.high]


def test_unknown_loop() -> None:
    with pytest.raises(KeyError):
        sheet(DEMO, ["lobby"])


def test_all_loops_and_cautions() -> None:
    made = sheet(DEMO)
    assert [one["id"] for one in made["loops"]] == list(DEMO.loops)
    assert any("fire watch" in words for words in made["cautions"])
