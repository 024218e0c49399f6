"""Uncertainty components against GUM (JCGM 100:2008) arithmetic and a Monte Carlo of its own."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.measure.columns import columns
from gateway.measure.uncertainty import COVERAGE, YEAR_S, budget, standard_uncertainty
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


@given(st.floats(0, 5), st.floats(0, 0.2), st.floats(0, 40), st.floats(0, 3), st.floats(-2, 20))
def test_the_parts_make_the_whole(
    accuracy: float, thermal: float, swing: float, stability: float, years: float
) -> None:
    # GUM 5.1.2: independent parts add as root of sum of squares.
    noun = transducer(
        "a.c1", accuracy_pct_span=accuracy, thermal_pct_span_per_K=thermal,
        thermal_swing_K=swing, stability_pct_span_per_year=stability,
    )  # fmt: skip
    t = columns(site({"p1": noun}, {})).transducers
    now = float(t.calibrated[0]) + years * YEAR_S
    b = budget(now, t)
    parts = np.array([b.accuracy, b.thermal, b.stability, b.resolution])
    assert np.sqrt((parts**2).sum()) == pytest.approx(b.standard[0])
    assert b.standard[0] == standard_uncertainty(np.array([now]), t)[0, 0]
    assert b.years[0] == pytest.approx(max(0.0, years))


def test_each_part_by_hand() -> None:
    # 125 Pa of span: 1 % is 1.25 Pa, half a per cent a year over two years the same; rectangular,
    # so each is divided by 1.732. A count is 24/30000 mA of 16 mA: 0.00625 Pa, over sqrt 12.
    t = columns(site({"p1": transducer("a.c1", thermal_pct_span_per_K=0.0)}, {})).transducers
    b = budget(float(t.calibrated[0]) + 2 * YEAR_S, t)
    assert b.accuracy[0] == pytest.approx(0.7217, abs=1e-4)
    assert b.thermal[0] == 0
    assert b.stability[0] == pytest.approx(0.7217, abs=1e-4)
    assert b.resolution[0] == pytest.approx(0.001804, abs=1e-6)
    assert COVERAGE * b.standard[0] == pytest.approx(2.0412, abs=1e-3)
