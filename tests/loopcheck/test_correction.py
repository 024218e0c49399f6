"""Zero and span errors with their uncertainty, and that the proposal takes them away."""

from __future__ import annotations

from math import sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.loopcheck.characteristics import Reading
from gateway.loopcheck.correction import proposal, zero_and_span

POINTS = (0.0, 25.0, 50.0, 75.0, 100.0, 75.0, 50.0, 25.0, 0.0)


def readings(zero: float, span: float, noise: float = 0.0, seed: int = 0) -> list[Reading]:
    rng = np.random.default_rng(seed)
    return [
        Reading(p, "up", p, p + zero + span * p / 100 + noise * float(rng.normal())) for p in POINTS
    ]


@given(st.floats(-5, 5), st.floats(-20, 20))
def test_a_straight_error_is_found_whole(zero: float, span: float) -> None:
    found = zero_and_span(readings(zero, span), 0.0)
    assert found
    assert (found.zero.error, found.span.error) == pytest.approx((zero, span), abs=1e-9)


@pytest.mark.slow
def test_uncertainty_holds_what_it_says() -> None:
    """In 95 of 100 checks the truth lies inside the expanded uncertainty."""
    inside, trials = np.zeros(2), 2000
    for seed in range(trials):
        found = zero_and_span(readings(0.3, -0.8, 0.1, seed), 0.0)
        assert found
        assert found.zero.expanded
        assert found.span.expanded
        inside += [
            abs(found.zero.error - 0.3) <= found.zero.expanded,
            abs(found.span.error + 0.8) <= found.span.expanded,
        ]
    assert inside / trials == pytest.approx([0.95, 0.95], abs=0.02)


def test_the_reference_is_counted() -> None:
    found = zero_and_span(readings(0.3, 0.0), 0.1)
    assert found
    assert found.zero.expanded == pytest.approx(1.96 * 0.1, rel=1e-3)
    assert found.span.expanded == pytest.approx(1.96 * 0.1 * sqrt(2), rel=1e-3)
    assert found.zero.significant
    assert not found.span.significant


def test_a_reference_without_uncertainty_leaves_it_unknown() -> None:
    found = zero_and_span(readings(0.3, 0.0, 0.05), None)
    assert found
    assert found.zero.expanded is None
    assert not found.zero.significant


def test_two_points_take_the_uncertainty_of_a_reading() -> None:
    pair = [Reading(0, "up", 0, 0.2), Reading(100, "up", 100, 100.4)]
    found = zero_and_span(pair, 0.0, each=0.1)
    assert found
    assert found.zero.expanded == pytest.approx(0.196, rel=1e-3)
    assert found.span.expanded == pytest.approx(0.196 * sqrt(2), rel=1e-3)


@pytest.mark.parametrize("applied", [(50.0,), (50.0, 50.0)])
def test_one_point_is_no_line(applied: tuple[float, ...]) -> None:
    assert zero_and_span([Reading(50, "up", a, a) for a in applied], 0.0) is None
    assert zero_and_span([Reading(p, "up", 50, 50) for p in (0, 100)], 0.0) is None


@given(st.floats(-5, 5), st.floats(-20, 20), st.floats(0, 100))
def test_the_proposed_range_reads_right(zero: float, span: float, true: float) -> None:
    """Of a transducer of -25 to 100 Pa whose signal is off by a zero and a span error."""
    found = zero_and_span(readings(zero, span), 0.0)
    assert found
    wanted = proposal(found, (-25.0, 100.0), (4.0, 20.0))
    sends = true + zero + span * true / 100
    shown = wanted.range_low + sends / 100 * (wanted.range_high - wanted.range_low)
    assert shown == pytest.approx(-25 + 1.25 * true, abs=1e-6)
    turned = 4 + 0.16 * sends - wanted.zero_signal - wanted.span_signal * true / 100
    assert turned == pytest.approx(4 + 0.16 * true, abs=1e-6)
