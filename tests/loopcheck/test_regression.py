"""Least squares and its uncertainties against certified values, a guide's example and statsmodels.

Sources stand in tests/diagnose/test_published.py and test_line.py, where the same data serve the
diagnosis: NIST StRD (certified), GUM H.3 (JCGM 100:2008; results remembered and recomputed).
"""

from __future__ import annotations

from math import inf, sqrt

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import t as students_t

from gateway.loopcheck.regression import (
    coverage,
    effective_freedom,
    least_squares,
    straight_line,
)
from tests.diagnose.test_line import NORRIS_X, NORRIS_Y
from tests.diagnose.test_published import (
    GUM_B,
    GUM_T,
    PONTIUS_B,
    PONTIUS_SSE,
    PONTIUS_X,
    PONTIUS_Y,
)

PONTIUS_SD = (0.107938612033077e-03, 0.157817399981659e-09, 0.486652849992036e-16)


def test_norris() -> None:
    line = straight_line(np.array(NORRIS_X), np.array(NORRIS_Y))
    assert line.level == pytest.approx(-0.262323073774029, rel=1e-9)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-9)
    assert line.level_u == pytest.approx(0.232818234301152, rel=1e-9)
    assert line.slope_u == pytest.approx(0.429796848199937e-03, rel=1e-9)
    assert line.scatter == pytest.approx(0.884796396144373, rel=1e-9)
    assert line.freedom == 34


def test_pontius() -> None:
    x, y = np.array(PONTIUS_X), np.array(PONTIUS_Y)
    fit = least_squares(np.column_stack([np.ones_like(x), x, x**2]), y)
    assert fit.coefficients == pytest.approx(PONTIUS_B, rel=1e-9)
    assert np.sqrt(np.diag(fit.covariance)) == pytest.approx(PONTIUS_SD, rel=1e-9)
    assert fit.residuals @ fit.residuals == pytest.approx(PONTIUS_SSE, rel=1e-9)


def test_the_thermometer_of_the_guide() -> None:
    line = straight_line(np.array(GUM_T), np.array(GUM_B), origin=20.0)
    assert line.level == pytest.approx(-0.171203790131, abs=1e-11)
    assert line.slope == pytest.approx(0.00218269774, abs=1e-11)
    assert line.level_u == pytest.approx(0.002877597835, abs=1e-11)
    assert line.slope_u == pytest.approx(0.000667938773, abs=1e-11)
    assert line.correlation == pytest.approx(-0.930429603093, abs=1e-11)
    assert line.scatter == pytest.approx(0.003497563964, abs=1e-11)
    assert (line.freedom, round(line.at(30), 4), round(line.at_u(30), 4)) == (9, -0.1494, 0.0041)


def test_a_forgotten_covariance_would_show() -> None:
    line = straight_line(np.array(GUM_T), np.array(GUM_B), origin=20.0)
    forgotten = sqrt(line.level_u**2 + (10 * line.slope_u) ** 2)
    assert (round(forgotten, 4), round(line.at_u(30), 4)) == (0.0073, 0.0041)


@given(st.integers(0, 10_000), st.integers(3, 40))
def test_lines_agree_with_another_program(seed: int, n: int) -> None:
    rng = np.random.default_rng(seed)
    x = rng.uniform(-5, 105, n)
    y = rng.uniform(-1, 1) + rng.uniform(-0.02, 0.02) * x + rng.normal(0, 0.1, n)
    line, other = straight_line(x, y), sm.OLS(y, sm.add_constant(x)).fit()
    assert [line.level, line.slope] == pytest.approx(list(other.params), abs=1e-9)
    assert [line.level_u, line.slope_u] == pytest.approx(list(other.bse), rel=1e-6, abs=1e-12)
    told = other.get_prediction([[1.0, 50.0]])
    assert line.at_u(50) == pytest.approx(float(told.se_mean[0]), rel=1e-6, abs=1e-12)


def test_two_readings_leave_nothing_to_judge_by() -> None:
    line = straight_line(np.array([0.0, 100.0]), np.array([0.1, 0.3]))
    assert (line.level, line.at(100)) == pytest.approx((0.1, 0.3))
    assert np.isnan(line.level_u)


@pytest.mark.parametrize("x", [[50.0], [50.0, 50.0], [50.0, 50.0, 50.0]])
def test_readings_at_one_place_make_no_line(x: list[float]) -> None:
    with pytest.raises(ValueError, match="lie apart"):
        straight_line(np.array(x), np.zeros(len(x)))


@given(st.floats(1, 200))
def test_coverage_is_students_t(freedom: float) -> None:
    assert coverage(freedom) == pytest.approx(float(students_t.ppf(0.975, freedom)), rel=1e-9)


def test_a_stated_uncertainty_has_no_end_of_freedom() -> None:
    assert coverage(inf) == pytest.approx(1.959964, abs=1e-5)
    assert effective_freedom(((0.1, 7.0), (0.0, inf))) == pytest.approx(7.0)
    assert effective_freedom(((0.0, 7.0), (0.1, inf))) == inf
    # Welch and Satterthwaite by hand: (0.01 + 0.01)^2 / (0.0001 / 7).
    assert effective_freedom(((0.1, 7.0), (0.1, inf))) == pytest.approx(28.0)
