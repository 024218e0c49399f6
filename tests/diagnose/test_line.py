"""Lines through minute means against independent least squares."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.diagnose.line import KEEP, LEAST_SD, Lines

# NIST StRD Norris, certified values (linear least squares), as given in scipy's and GSL's tests.
NORRIS_Y = [
    0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1,
    668.8, 339.3, 448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888.0,
    998.5, 778.9, 10.2, 117.6, 228.9, 668.4, 449.2, 0.2,
]  # fmt: skip
NORRIS_X = [
    0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5,
    666.9, 338.0, 447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2,
    999.0, 779.0, 11.1, 118.3, 229.2, 669.1, 448.9, 0.5,
]  # fmt: skip


def lined(x: list[float], y: list[float]) -> Lines:
    lines = Lines(1)
    for a, b in zip(x, y, strict=True):
        lines.add(np.array([a]), np.array([b]), np.array([True]))
    return lines


def test_norris_without_forgetting(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("gateway.diagnose.line.KEEP", 1.0)
    few = 1 + 3 / 34
    fit = lined(NORRIS_X, NORRIS_Y).fit(np.zeros(1))
    assert fit.gain[0] == pytest.approx(1.00211681802045, rel=1e-9)
    assert fit.offset()[0] == pytest.approx(-0.262323073774029, rel=1e-7)
    assert fit.scatter[0] == pytest.approx(0.884796396144373, rel=1e-7)
    assert fit.gain_se[0] == pytest.approx(few * 0.429796848199937e-3, rel=1e-7)
    assert fit.offset_se()[0] == pytest.approx(few * 0.232818234301152, rel=1e-7)


@settings(max_examples=50)
@given(st.integers(0, 10_000), st.floats(-3, 30), st.floats(-50, 50), st.integers(4, 60))
def test_forgetting_is_a_weight(seed: int, gain: float, offset: float, n: int) -> None:
    rng = np.random.default_rng(seed)
    x = rng.uniform(0, 100, n)
    y = gain * x + offset + rng.normal(0, 1, n)
    fit = lined(x.tolist(), y.tolist()).fit(np.zeros(1))
    weight = KEEP ** np.arange(n - 1, -1, -1)
    slope, level = np.polyfit(x, y, 1, w=np.sqrt(weight))
    assert fit.gain[0] == pytest.approx(slope, abs=1e-8)
    assert fit.offset()[0] == pytest.approx(level, abs=1e-6)


def test_no_movement_means_no_gain_and_no_surprise() -> None:
    fit = lined([60.0] * 10, [68.0] * 10).fit(np.zeros(1))
    assert fit.gain_se[0] > 100
    assert fit.level[0] == pytest.approx(68)
    assert fit.level_se[0] == pytest.approx(LEAST_SD / np.sqrt(10), rel=0.05)


def test_a_coarse_register_makes_the_line_less_sure() -> None:
    exact = lined([55.0, 60, 65] * 4, [55.0, 60, 65] * 4)
    assert exact.fit(np.array([1.0])).gain_se[0] > 10 * exact.fit(np.zeros(1)).gain_se[0]


def test_cleared_lines_begin_anew() -> None:
    lines = lined([1.0, 2, 3], [5.0, 5, 5])
    lines.clear(np.array([True]))
    assert lines.fit(np.zeros(1)).minutes[0] == 0
