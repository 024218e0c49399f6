"""What a finding tells a technician fits the signal and the loop that it is about."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

import numpy as np
import pytest

from gateway.diagnose.catalogue.faults import CATALOGUE
from gateway.diagnose.detector import Condition
from gateway.diagnose.explain import finding
from gateway.diagnose.findings import Finding
from gateway.measure.measure import Measure
from gateway.plant.units import to_pa
from tests.sites import MA_CARD, V_CARD, site, transducer


def told(
    fault: str,
    signal: str = "4-20 mA",
    *,
    combine: str = "average",
    action: str = "reverse",
    words: Mapping[str, tuple[str, ...]] | None = None,
    **evidence: float,
) -> Finding:
    """The finding of one fault at p1, beside p2, as its numbers make it."""
    card = MA_CARD if signal.endswith("mA") else V_CARD
    changes: dict[str, Any] = {"signal": signal, "input": card, "range": [-200, 200]}
    both = {f"p{n}": transducer(f"a.c{n}", **changes) for n in (1, 2)}
    loop = {"transducers": list(both), "combine": combine, "action": action}
    here = site(both, {"stair": loop})
    numbers = {k: np.full((1, 2), v) for k, v in evidence.items()}
    yes = np.ones((1, 2), bool)
    condition = Condition(fault, yes, yes, numbers, words=words or {})
    entry = CATALOGUE[fault]
    columns = Measure(here).columns
    return finding(here, columns, entry, condition, row=0, column=0, time=0.0)


DEAD: dict[str, Any] = {"electrical_signal": 0.0, "reading_Pa": 0.0, "peers_Pa": 80.0}
VOLT_FAULTS = (
    "open-circuit", "intermittent-wiring", "short-circuit", "device-failure-signal",
    "signal-undefined-band",
)  # fmt: skip


@pytest.mark.parametrize("fault", VOLT_FAULTS)
@pytest.mark.parametrize("signal", ["0-10 V", "2-10 V"])
def test_nobody_looks_for_a_current_where_volts_are_sent(fault: str, signal: str) -> None:
    one = told(fault, signal, **DEAD)
    for words in ("in series", "mA", "two-wire transducer:", "ohm"):
        assert words not in one.next_check, one.next_check
    assert "[" not in one.next_check + one.consequence
    if fault != "short-circuit":
        assert "series" in told(fault, "4-20 mA", **DEAD).next_check


def test_a_dead_wire_without_a_live_zero_is_not_below_its_range() -> None:
    assert "0 mA, below its range" in told("open-circuit", **DEAD).consequence
    dead = told("open-circuit", "0-10 V", **DEAD)
    assert "below" not in dead.consequence
    assert dead.consequence.startswith("The controller takes the 0 V of this input for 0 Pa.")
    # Zero volts are a reading there: no device says so that it has failed.
    assert "device-failure-signal" not in dead.rivals
    assert "device-failure-signal" in told("open-circuit", "2-10 V", **DEAD).rivals


@pytest.mark.parametrize(
    ("fault", "supply", "exhaust"),
    [
        ("open-circuit", "drives up", "drives down"),
        ("reversed-polarity", "drives up", "drives down"),
        ("intermittent-wiring", "drives up", "drives down"),
        ("under-range", "drives up", "drives down"),
        ("short-circuit", "drives down", "drives up"),
    ],
)
def test_the_fan_of_a_direct_loop_goes_the_other_way(fault: str, supply: str, exhaust: str) -> None:
    assert supply in told(fault).consequence
    away = told(fault, action="direct").consequence
    assert exhaust in away
    assert supply not in away


def test_a_tube_that_is_off_reads_high_where_the_fan_sucks() -> None:
    """It reads 0 Pa beside -150 Pa: the maximum follows it, and the fan of either drives up."""
    here: dict[str, Any] = {"reading_Pa": 0.0, "peers_Pa": 150.0}
    suck: dict[str, Any] = {"reading_Pa": 0.0, "peers_Pa": -150.0, "action": "direct"}
    assert "pulled down and the fan drives up" in told("tube-off", **here).consequence
    assert "pulled up and the fan drives up" in told("tube-off", **suck).consequence
    assert "minimum follows" in told("tube-off", combine="minimum", **here).consequence
    assert "minimum ignores" in told("tube-off", combine="minimum", **suck).consequence
    assert "maximum follows" in told("tube-off", combine="maximum", **suck).consequence


def test_a_zero_that_is_right_is_not_the_end_of_the_search() -> None:
    """A tube that came off leaves the zero of its transducer as it was."""
    check = CATALOGUE["disagreement"].next_check
    assert "When every one reads zero, look at tubes and tappings" in check
    # What a loop holds wrongly by its own feedback is not what the space is at.
    assert "the space was" not in CATALOGUE["setpoint-not-held"].consequence


def test_what_a_column_of_water_is_worth() -> None:
    """Conventional millimetre of water, 9.80665 Pa (NIST SP 811); an inch of it is 249 Pa."""
    worth = re.search(
        r"(\d+) mm of water height .* is worth (\d+) Pa", told("liquid-in-tube").next_check
    )
    assert worth
    assert int(worth[2]) == round(to_pa(int(worth[1]), "mmH2O"))


def test_a_reading_above_its_range_is_told_both_ways() -> None:
    text = told("over-range").consequence
    assert "If the pressure is really that high" in text
    assert "holds a lower pressure than it says" in text


def test_nothing_else_fits_is_not_told_as_a_rival_named_none() -> None:
    """Word 0 of the list of what fits as well is "none"."""
    one = told("range-mismatch", words={"cannot_tell_from": ("none",)}, cannot_tell_from=0.0)
    assert one.evidence["cannot_tell_from"] == "none"
    assert "told" not in one.next_check
    more = {"cannot_tell_from": ("unit-mismatch",)}
    other = told("range-mismatch", words=more, cannot_tell_from=0.0)
    assert "It cannot be told yet from: unit-mismatch." in other.next_check


def test_a_feedback_of_another_register_is_no_truth() -> None:
    """Word order swapped: neither the feedback nor the controller's own values are pressures."""
    wild: dict[str, Any] = {"reported_Pa": 1.4e17, "computed_Pa": 7e-31, "difference_Pa": 1.4e17}
    one = told("combination-mismatch", combined_Pa=50.0, **wild)
    assert "true combined pressure was about 50 Pa" in one.consequence
    assert "word_order" in one.next_check


def test_what_a_door_allows_is_not_rounded_to_what_a_transducer_can_show() -> None:
    """88.05 Pa by F = Fdc + W A dP / (2 (W - d)): 93 N of 133 beside the closer's 40.

    A duct transducer of 5000 Pa is said in tens: 90 Pa would be more than the door allows.
    """
    here = site({"p1": transducer("a.c1", range=[0, 5000])},
                {"stair": {"transducers": ["p1"], "combine": "single"}})  # fmt: skip
    yes = np.ones((1, 1), bool)
    allows = 93 * 2 * (0.91 - 0.075) / (0.91 * 0.91 * 2.13)
    numbers = {"setpoint_Pa": np.array([[4003.0]]), "door_allows_Pa": np.array([[allows]])}
    condition = Condition("setpoint-above-safe-limit", yes, yes, numbers)
    entry, columns = CATALOGUE["setpoint-above-safe-limit"], Measure(here).columns
    one = finding(here, columns, entry, condition, row=0, column=0, time=0.0)
    assert "aims at 4000 Pa" in one.consequence
    assert "the door allows 88.05 Pa" in one.consequence
