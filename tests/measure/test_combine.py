"""Combined pressure against the statistics module of Python, loop by loop."""

from __future__ import annotations

import statistics
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.measure.combine import COMBINATIONS, combine, driver
from gateway.measure.measure import Measure
from gateway.measure.quality import Quality, Reason
from tests.sites import block, counts_for, site, transducer

REFERENCE: dict[str, Callable[[list[float]], float]] = {
    "average": statistics.fmean,
    "minimum": min,
    "maximum": max,
    "median": statistics.median,
    "sum": sum,
}
pressures = st.lists(st.floats(-500, 500), min_size=1, max_size=6)


@given(pressures, st.sampled_from(sorted(REFERENCE)))
def test_combinations_against_the_standard_library(members: list[float], kind: str) -> None:
    got = combine(kind, np.array(members))
    assert float(got) == pytest.approx(REFERENCE[kind](members), abs=1e-9)


@given(pressures, st.sampled_from(sorted(set(COMBINATIONS) - {"difference"})))
def test_one_missing_member_leaves_nothing(members: list[float], kind: str) -> None:
    members[0] = float("nan")
    assert np.isnan(combine(kind, np.array(members)))
    assert driver(kind, np.array(members)) == -1


def test_difference_is_first_minus_second() -> None:
    assert combine("difference", np.array([30.0, 12.0])) == 18.0


def test_the_driver_is_the_one_that_decides() -> None:
    members = np.array([[30.0, 12.0, 20.0]])
    assert driver("minimum", members).tolist() == [1]
    assert driver("maximum", members).tolist() == [0]
    assert driver("median", members).tolist() == [2]
    assert driver("average", members).tolist() == [-1]
    assert driver("median", members[:, :2]).tolist() == [-1]


def test_an_unknown_combination_is_named() -> None:
    with pytest.raises(ValueError, match=r"'mode'.*average"):
        combine("mode", np.array([1.0]))


def test_loops_of_different_kinds_side_by_side() -> None:
    three = {f"p{k}": transducer(f"a.c{k}") for k in (1, 2, 3)}
    loops = {
        "low": {"transducers": ["p1", "p2", "p3"], "combine": "minimum"},
        "avg": {"transducers": ["p3", "p1"], "combine": "average"},
        "one": {"transducers": ["p2"], "combine": "single"},
        "mid": {"transducers": ["p3", "p2", "p1"], "combine": "median"},
    }
    here = site(three, loops)
    columns = {f"a.c{k}": [float(counts_for(20 * k))] for k in (1, 2, 3)}
    seen = Measure(here).examine(block(here, columns))
    # 20, 40 and 60 % of -25..100 Pa are 0, 25 and 50 Pa.
    assert seen.combined[0] == pytest.approx([0.0, 25.0, 25.0, 25.0])
    assert seen.driver[0].tolist() == [0, -1, 1, 1]


def test_the_worst_input_decides_quality() -> None:
    here = site()
    seen = Measure(here).examine(
        block(here, {"a.c1": [float(counts_for(50))], "a.c2": [float(counts_for(102))]})
    )
    assert seen.quality[0].tolist() == [Quality.GOOD, Quality.UNCERTAIN]
    assert seen.combined_quality[0, 0] == Quality.UNCERTAIN
    assert seen.combined_reasons[0, 0] == Reason.MEMBER


def test_controller_values_come_in_pascals() -> None:
    controllers = {
        "a": {
            "host": "127.0.0.1",
            "points": {
                "c1": {"table": "input", "address": 0},
                "shown": {"table": "input", "address": 1, "scale": 0.01, "unit": "inH2O"},
            },
        }
    }
    here = site({"p1": transducer("a.c1", controller_value="a.shown")}, {}, controllers)
    seen = Measure(here).examine(block(here, {"a.c1": [12000], "a.shown": [0.2]}))
    # 0.20 inH2O (conventional): NIST SP 811, 249.0889 Pa an inch.
    assert seen.controller_value[0, 0] == pytest.approx(0.2 * 249.08891)
