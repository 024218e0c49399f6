"""Accuracy figures: the constructed example with a two-point trap, and independent searches.

The example is constructed test data; definitions after IEC 61298-2 and ISA-51.1 as commonly given.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from gateway.loopcheck.characteristics import Direction, Reading, characteristics
from gateway.loopcheck.linearity import independent, terminal_based, zero_based

POINTS = (0.0, 25.0, 50.0, 75.0, 100.0)
UP = (
    (0.10, 0.30, 0.45, 0.40, 0.20), (0.12, 0.28, 0.44, 0.42, 0.20), (0.10, 0.32, 0.46, 0.40, 0.22),
)  # fmt: skip
DOWN = (
    (0.14, 0.48, 0.70, 0.58, 0.20), (0.14, 0.50, 0.68, 0.60, 0.20), (0.12, 0.46, 0.72, 0.58, 0.22),
)  # fmt: skip


def side(cycles: tuple[tuple[float, ...], ...], direction: Direction) -> list[Reading]:
    return [
        Reading(p, direction, p, p + error)
        for cycle in cycles
        for p, error in zip(POINTS, cycle, strict=True)
    ]


EXAMPLE = side(UP, "up") + side(DOWN, "down")


def test_the_constructed_example() -> None:
    found = characteristics(EXAMPLE)
    assert (found.lowest_error, found.highest_error) == pytest.approx((0.10, 0.72))
    assert found.measured_error == pytest.approx(0.70)
    assert found.hysteresis == pytest.approx(0.25)
    assert found.repeatability == pytest.approx(0.04)
    assert found.terminal_based == pytest.approx(0.41166667)
    assert found.zero_based == pytest.approx(0.27444444)
    assert found.independent == pytest.approx(0.20583333)
    assert abs(found.worst) > 0.5


def test_two_points_or_one_direction_would_have_passed_it() -> None:
    ends = characteristics([one for one in EXAMPLE if one.point in (0, 100)])
    assert ends.worst == pytest.approx(0.22)
    assert (ends.terminal_based, ends.zero_based, ends.independent) == (None, None, None)
    upscale = characteristics(side(UP, "up"))
    assert upscale.worst == pytest.approx(0.46)
    assert upscale.hysteresis is None


def test_one_reading_tells_its_error_and_no_more() -> None:
    found = characteristics([Reading(50, "up", 50.2, 49.9)])
    assert found.worst == found.measured_error == pytest.approx(-0.3)
    assert found.hysteresis is found.repeatability is found.independent is None


def test_no_reading_is_refused() -> None:
    with pytest.raises(ValueError, match="no readings"):
        characteristics([])


def minimax(x: np.ndarray, y: np.ndarray, *, through_first: bool) -> float:
    """The least possible largest deviation, by linear programming."""
    x, y = x - x[0], y - y[0]
    ones = np.ones_like(x)
    free = [x] if through_first else [x, ones]
    rows = np.vstack(
        [np.column_stack([*free, -ones]), np.column_stack([*[-f for f in free], -ones])]
    )
    cost: Any = [0.0] * len(free) + [1.0]
    bounds: Any = [(None, None)] * len(free) + [(0, None)]
    answer = linprog(cost, A_ub=rows, b_ub=np.concatenate([y, -y]), bounds=bounds)
    assert answer.fun is not None
    return float(answer.fun)


curves = st.lists(st.floats(-2, 2), min_size=3, max_size=7)


@settings(max_examples=20)
@given(curves)
def test_both_best_lines_are_the_best(errors: list[float]) -> None:
    x, y = np.linspace(0, 100, len(errors)), np.array(errors)
    assert zero_based(x, y) == pytest.approx(minimax(x, y, through_first=True), abs=1e-6)
    assert independent(x, y) == pytest.approx(minimax(x, y, through_first=False), abs=1e-6)


@given(curves, st.floats(-1, 1), st.floats(-0.02, 0.02))
def test_order_and_what_linearity_does_not_see(
    errors: list[float], zero: float, span: float
) -> None:
    x, y = np.linspace(0, 100, len(errors)), np.array(errors)
    free, from_zero, ends = independent(x, y), zero_based(x, y), terminal_based(x, y)
    assert free <= from_zero + 1e-9
    assert from_zero <= ends + 1e-9
    moved = y + zero + span * x
    assert [independent(x, moved), zero_based(x, moved), terminal_based(x, moved)] == pytest.approx(
        [free, from_zero, ends], abs=1e-9
    )
