"""How fine an input's point tells, and where it ends: by its scale and type, not by card counts."""

from __future__ import annotations

from math import sqrt
from typing import Any

import pytest

from gateway.loopcheck.judging import at_end, expanded
from gateway.loopcheck.plan import Facts, facts
from gateway.loopcheck.run import Measure, Run
from gateway.measure.columns import columns
from gateway.plant.site import Site
from tests.loopcheck.made import begun, plan, read
from tests.sites import site, transducer

MILLIAMPS = {"counts": [0, 20], "electrical": [0, 20], "unit": "mA", "clamps": True}
VOLTS = {"counts": [0, 10], "electrical": [0, 10], "unit": "V", "clamps": True}
SHUNTED = {"counts": [0, 4095], "electrical": [0, 10], "unit": "V", "shunt_ohm": 500}


def made(point: dict[str, Any], **changes: Any) -> Site:
    table = {"table": "input", "address": 0}
    return site(
        {"p1": transducer("a.c1", **changes)},
        {"stair": {"transducers": ["p1"], "combine": "single"}},
        {"a": {"host": "127.0.0.1", "points": {"c1": table | point}}},
    )


def known(point: dict[str, Any], **changes: Any) -> Facts:
    return facts(made(point, **changes), "stair", "0.1.0")


def first_reading(about: Facts) -> float:
    """Expanded uncertainty of a steady reading, % of span; the reference has 0.1 Pa."""
    run: Run = begun(plan(), about)
    task = run.task
    assert isinstance(task, Measure)
    found = expanded(run, "p1", read(run, task.step))
    assert found is not None
    return found


# Steps by hand, % of span: (what the point tells, card, signal): a thousandth of a milliamp of 16;
# a float of 0 to 20 mA and one of 0 to 10 V as of 12 bits; 10 V / 4095 over 500 ohm of 16 mA.
CASES = [
    ({"type": "uint16", "scale": 0.001}, MILLIAMPS, "4-20 mA", 100 * 0.001 / 16),
    ({"type": "float32"}, MILLIAMPS, "4-20 mA", 100 * 20 / 4096 / 16),
    ({"type": "float32"}, VOLTS, "0-10 V", 100 / 4096),
    ({"type": "uint16", "scale": 0.01}, VOLTS, "2-10 V", 100 * 0.01 / 8),
    ({"type": "uint16"}, SHUNTED, "4-20 mA", 100 * 10 / 4095 / 0.5 / 16),
]


@pytest.mark.parametrize(("point", "card", "signal", "step"), CASES)
def test_a_reading_is_as_uncertain_as_the_step_of_its_point(
    point: dict[str, Any], card: dict[str, Any], signal: str, step: float
) -> None:
    """GUM: half the reference's expanded uncertainty, and step / sqrt 12; twice their root."""
    about = known(point, input=card, signal=signal)
    reference = 100 * 0.1 / 125 / 2
    assert first_reading(about) == pytest.approx(2 * sqrt(reference**2 + step**2 / 12), rel=1e-6)


@pytest.mark.parametrize(("point", "card", "signal", "step"), CASES)
def test_the_budget_counts_the_same_step(
    point: dict[str, Any], card: dict[str, Any], signal: str, step: float
) -> None:
    t = columns(made(point, input=card, signal=signal)).transducers
    assert t.resolution[0] == pytest.approx(step / 100 * 125, rel=1e-9)


def test_an_input_that_tells_milliamps_ends_where_it_ends() -> None:
    """Half a milliamp below its end it is not there yet; half a step below it is."""
    about = known({"type": "uint16", "scale": 0.001}, input=MILLIAMPS)
    assert not at_end(about, "p1", 19.6)
    assert not at_end(about, "p1", 19.999)
    assert at_end(about, "p1", 19.9996)
    assert at_end(about, "p1", 20.0)
    assert at_end(about, "p1", 0.0)


def test_whole_counts_end_within_half_a_count() -> None:
    about = known({"type": "uint16"})
    assert at_end(about, "p1", 29999.6)
    assert not at_end(about, "p1", 29999.0)


def test_a_check_begun_before_steps_were_noted_counts_in_whole_counts() -> None:
    about = known({"type": "uint16"})
    old = Facts.model_validate(about.model_dump(exclude={"signal_steps"}))
    assert old.signal_steps == {}
    assert old.step("p1") == about.step("p1") == pytest.approx(1.0)
    assert at_end(old, "p1", 29999.6)
