"""Uncertainty components against GUM (JCGM 100:2008) arithmetic and a Monte Carlo of its own."""

from __future__ import annotations

import numpy as np
import pytest

from gateway.measure.columns import columns
from gateway.measure.uncertainty import COVERAGE, YEAR_S, standard_uncertainty
from tests.sites import site, transducer


def uncertainty(after_years: float, **changes: object) -> float:
    here = site({"p1": transducer("a.c1", **changes)}, {})
    t = columns(here).transducers
    time = t.calibrated + after_years * YEAR_S if "calibrated" not in changes else np.array([0.0])
    return float(standard_uncertainty(time, t)[0, 0])


def test_worked_example_of_a_duct_transducer() -> None:
    # Computed (limits taken as rectangular): 0-0.5 in, 1 % FS, 0.03 %FS/degF x 20 degF,
    # 0.5 %FS a year -> limits .005 .003 .0025 in, u = .0037 in, U = .0073 in.
    u = uncertainty(
        1.0,
        range=[0, 0.5],
        unit="inH2O",
        accuracy_pct_span=1.0,
        thermal_pct_span_per_K=0.03,
        thermal_swing_K=20.0,
        stability_pct_span_per_year=0.5,
    )
    assert u / 249.08891 == pytest.approx(0.0037, abs=0.00005)
    assert COVERAGE * u / 249.08891 == pytest.approx(0.0073, abs=0.0001)


def test_a_monte_carlo_agrees() -> None:
    rng = np.random.default_rng(1)
    n = 400_000
    limits = (1.25, 0.625 * 3)  # 1 % of 125 Pa; 0.5 % a year over three years
    step = 125 / 16 * 24 / 30000
    draws = sum(rng.uniform(-a, a, n) for a in (*limits, step / 2))
    assert uncertainty(3.0) == pytest.approx(float(np.std(draws)), rel=0.005)


def test_drift_allowance_grows_with_the_years() -> None:
    assert uncertainty(0.0) < uncertainty(1.0) < uncertainty(5.0)


def test_without_a_date_one_year_is_assumed() -> None:
    assert uncertainty(0.0, calibrated=None) == pytest.approx(uncertainty(1.0))
