"""The arithmetic of the diagnosis against published examples and certified values.

Each source stands beside its figures: certified (NIST StRD), as printed (NIST/SEMATECH
e-Handbook), or remembered and worked out again.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import roots_legendre
from scipy.stats import norm

from gateway.diagnose.line import Fit, Lines
from gateway.diagnose.picture import RUNNING, blank, learn
from gateway.diagnose.sequential import Cusum, threshold, two_sided_arl
from gateway.diagnose.trend import DAY_S, rate
from gateway.measure.blocks import Floats
from gateway.measure.columns import columns
from tests.sites import site, transducer

from .test_line import NORRIS_X, NORRIS_Y

# NIST StRD Pontius (linear least squares, quadratic), data and certified values as given in
# scipy's and GSL's own tests: 20 loads, read twice.
PONTIUS_X = [150_000.0 * k for k in range(1, 21)] * 2
PONTIUS_Y = [
    0.11019, 0.21956, 0.32949, 0.43899, 0.54803, 0.65694, 0.76562, 0.87487, 0.98292, 1.09146,
    1.20001, 1.30822, 1.41599, 1.52399, 1.63194, 1.73947, 1.84646, 1.95392, 2.06128, 2.16844,
    0.11052, 0.22018, 0.32939, 0.43886, 0.54798, 0.65739, 0.76596, 0.87474, 0.983, 1.0915,
    1.20004, 1.30818, 1.41613, 1.52408, 1.63159, 1.73965, 1.84696, 1.95445, 2.06177, 2.16829,
]  # fmt: skip
PONTIUS_B = (0.673565789473684e-3, 0.732059160401003e-6, -0.316081871345029e-14)
PONTIUS_SSE = 0.155761768796992e-5

# GUM (JCGM 100:2008) H.3, calibration of a thermometer: readings, degC, and corrections, degC, as
# worked in the documentation of a library for uncertainty; results remembered and recomputed.
GUM_T = [
    21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511,
]  # fmt: skip
GUM_B = [
    -0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160,
]  # fmt: skip


@pytest.fixture
def _nothing_forgotten(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("gateway.diagnose.line.KEEP", 1.0)


def line(x: Floats, y: Floats) -> Fit:
    lines = Lines(1)
    for a, b in zip(x, y, strict=True):
        lines.add(np.array([a]), np.array([b]), np.array([True]))
    return lines.fit(np.zeros(1))


def left(x: Floats, y: Floats) -> Floats:
    """What a straight line through (x, y) leaves of y."""
    fit = line(x, y)
    return np.array([v - fit.at(np.array([u]))[0] for u, v in zip(x, y, strict=True)])


@pytest.mark.usefixtures("_nothing_forgotten")
def test_pontius_by_three_straight_lines() -> None:
    """Frisch and Waugh: straight lines alone give the quadratic of a least-squares fit.

    It is the slope of what a line leaves of y against what another leaves of the square.
    """
    x, y = np.array(PONTIUS_X) / 1e6, np.array(PONTIUS_Y)
    square = line(left(x, x**2), left(x, y))
    b2 = square.gain[0]
    straight = line(x, y - b2 * x**2)
    b0, b1 = straight.offset()[0], straight.gain[0]
    assert b2 / 1e12 == pytest.approx(PONTIUS_B[2], rel=1e-9)
    assert b1 / 1e6 == pytest.approx(PONTIUS_B[1], rel=1e-9)
    assert b0 == pytest.approx(PONTIUS_B[0], rel=1e-9)
    sse = float(((y - b0 - b1 * x - b2 * x**2) ** 2).sum())
    assert sse == pytest.approx(PONTIUS_SSE, rel=1e-9)


@pytest.mark.usefixtures("_nothing_forgotten")
def test_gum_h_3_calibration_of_a_thermometer() -> None:
    t = np.array(GUM_T)
    # In mK, so that the line's least deviation does not act; few points are trusted less.
    fit, few = line(t - 20, 1000 * np.array(GUM_B)), 1 + 3 / 9
    assert fit.offset()[0] / 1000 == pytest.approx(-0.1712, abs=5e-5)
    assert fit.gain[0] / 1000 == pytest.approx(0.00218, abs=5e-6)
    assert fit.scatter[0] / 1000 == pytest.approx(0.0035, abs=5e-5)
    s1, s2 = fit.offset_se()[0] / few / 1000, fit.gain_se[0] / few / 1000
    assert s1 == pytest.approx(0.0029, abs=5e-5)
    assert s2 == pytest.approx(0.00067, abs=5e-6)
    r = -fit.middle[0] * s2 / s1
    assert r == pytest.approx(-0.930, abs=5e-4)
    # At 30 degC; left uncorrelated, the two would make 0.0073 of it.
    assert fit.at(np.array([10.0]))[0] / 1000 == pytest.approx(-0.1494, abs=5e-5)
    u = float(np.hypot(fit.level_se[0], (10 - fit.middle[0]) * fit.gain_se[0])) / few / 1000
    assert u == pytest.approx(0.0041, abs=5e-5)
    assert np.hypot(s1, 10 * s2) == pytest.approx(0.0073, abs=5e-5)


def test_norris_learnt_a_minute_at_a_time() -> None:
    """The picture's difference against squared output, Norris's y against x."""
    here = columns(site({"p1": transducer("a.c1")}, {}))
    picture = blank(here)
    for minute, (x, y) in enumerate(zip(NORRIS_X, NORRIS_Y, strict=True)):
        nothing = dict.fromkeys(
            ("level", "noise", "wander", "moving", "together", "peer_wander"), np.zeros(1)
        )
        seen = nothing | {"difference": np.array([y]), "drive": np.array([x])}
        learn(picture, RUNNING, np.array([True]), 60.0 * minute, seen)
    slope = picture.slope()[RUNNING, 0]
    assert slope == pytest.approx(1.00211681802045, rel=1e-9)
    offset = picture.difference[RUNNING, 0] - slope * picture.drive[RUNNING, 0]
    assert offset == pytest.approx(-0.262323073774029, rel=1e-9)
    assert 36 * picture.sd()[RUNNING, 0] ** 2 == pytest.approx(26.6173985294224, rel=1e-9)


# Helsel & Hirsch, Statistical Methods in Water Resources, 8.2 and 10.1, remembered and recomputed.
HELSEL_HIRSCH_8_2 = [1.22, 2.20, 4.80, 1.28, 1.97, 1.46, 2.64, 2.34, 4.84, 2.96]


def kendall(y: list[float]) -> int:
    """Mann and Kendall's S: rises less falls over all pairs."""
    return sum(int(np.sign(b - a)) for a, b in combinations(y, 2))


def days(y: list[float]) -> tuple[Floats, Floats]:
    return DAY_S * np.arange(1.0, len(y) + 1), np.array(y)


def test_a_trend_that_mann_and_kendall_do_not_call_one() -> None:
    # S = 21, tau = 0.47, Z = 1.79, p = 0.074: no trend at 5 %, so none is told either.
    assert kendall(HELSEL_HIRSCH_8_2) == 21
    found = rate(*days(HELSEL_HIRSCH_8_2), tolerance=10.0)
    assert found is not None
    assert found.low < 0 < found.per_day < found.high
    assert found.days_left == np.inf
    slopes = [(b - a) / (j - i) for (i, a), (j, b) in combinations(enumerate(HELSEL_HIRSCH_8_2), 2)]
    assert found.per_day == pytest.approx(float(np.median(slopes)))


def test_one_wild_point_does_not_bend_the_trend() -> None:
    # Theil's slope of 1 2 3 4 5 16 7 is 1.0, of least squares 1.714; an eighth point on its line
    # makes the eight that a rate asks for.
    found = rate(*days([1, 2, 3, 4, 5, 16, 7, 8]), tolerance=11.0)
    assert found is not None
    assert found.per_day == pytest.approx(1.0)
    assert found.low > 0
    # From the median of the last five, 7, at 1 a day, 11 is 4 days away.
    assert found.days_left == pytest.approx(4.0)


@pytest.mark.slow
@given(st.integers(0, 10_000), st.integers(8, 40), st.floats(0, 0.5))
def test_an_interval_without_zero_is_a_trend_to_mann_and_kendall(
    seed: int, n: int, slope: float
) -> None:
    """Sen's interval and Kendall's test count the same pairs, so they must agree.

    The variance of S is n (n - 1)(2 n + 5) / 18; ranks are rounded, hence two pairs of slack.
    """
    y = np.random.default_rng(seed).normal(0, 1, n) + slope * np.arange(n)
    found = rate(*days(y.tolist()), tolerance=1e6)
    assert found is not None
    limit = 1.959964 * np.sqrt(n * (n - 1) * (2 * n + 5) / 18)
    s = abs(kendall(y.tolist()))
    told = found.low > 0 or found.high < 0
    if abs(s - limit) > 2:
        assert told == (s > limit)
    assert (found.days_left < np.inf) == told


SHIFTS = (0, 0.25, 0.5, 0.75, 1, 1.5, 2, 2.5, 3, 4)
# Siegmund's formula for both sides at k = 0.5, worked out apart (remembered formula).
SIEGMUND = {
    4.0: (169.0466, 74.4314, 26.6412, 13.267, 8.3434, 4.666, 3.2218, 2.458, 1.9864, 1.4352),
    5.0: (469.1112, 139.7769, 38.0068, 17.0304, 10.3362, 5.666, 3.8884, 2.958, 2.3864, 1.7209),
}
# Run lengths themselves, by Markov chain; h = 4 is Lucas & Crosier (1982) table 1, as in the
# examples of the R package spc.
EXACT = {
    4.0: (167.6838, 74.224, 26.6302, 13.2851, 8.3831, 4.7472, 3.3428, 2.6195, 2.1945, 1.7085),
    5.0: (465.4435, 139.4937, 37.9961, 17.0483, 10.376, 5.7472, 4.0089, 3.1137, 2.5733, 2.0126),
}


@pytest.mark.parametrize("h", [4.0, 5.0])
def test_siegmunds_run_lengths_and_how_good_they_are(h: float) -> None:
    ours = [two_sided_arl(shift, 0.5, h) for shift in SHIFTS]
    assert ours == pytest.approx(list(SIEGMUND[h]), abs=1e-3)
    near = [o / e - 1 for o, e in zip(ours, EXACT[h], strict=True)]
    assert max(abs(x) for x in near[:5]) < 0.01
    assert -0.17 < near[-1] < -0.13  # known: low at large shifts


# k and h of a two-sided CUSUM with a run length of 370: published (secondary) and recomputed.
@pytest.mark.parametrize(
    ("k", "h"),
    [(0.25, 8.01), (0.5, 4.77), (0.75, 3.34), (1, 2.52), (1.25, 1.99), (1.5, 1.61)],
)
def test_published_pairs_of_k_and_h(k: float, h: float) -> None:
    assert h == pytest.approx(threshold(k, 370), abs=0.02)


def run_length(k: float, h: float, nodes: int = 80) -> float:
    """Two-sided run length without a shift, by the integral equation of one side.

    L(s) = 1 + L(0) F(k - s) + integral over 0..h of L(x) f(x + k - s) dx (Page 1954, from
    memory), solved on Gauss-Legendre nodes.
    """
    x, weight = roots_legendre(nodes)
    x, weight = (x + 1) * h / 2, weight * h / 2
    at = np.concatenate([[0.0], x])
    left = np.eye(nodes + 1)
    left[:, 0] -= norm.cdf(k - at)
    left[:, 1:] -= weight * norm.pdf(x[None] + k - at[:, None])
    return float(np.linalg.solve(left, np.ones(nodes + 1))[0]) / 2


@pytest.mark.parametrize("k", [0.1, 0.25, 0.5, 0.75, 1.0, 1.25, 1.5, 1.75, 2.0])
def test_false_alarms_come_as_seldom_as_wanted_at_every_k(k: float) -> None:
    year = 525_960.0
    assert run_length(k, threshold(k, year)) == pytest.approx(year, rel=0.04)


def autocorrelated(rng: np.random.Generator, n: int, steps: int, phi: float) -> Floats:
    """(steps, n) of unit variance, each correlated by phi with the one before."""
    x = np.empty((steps, n))
    x[0] = rng.normal(size=n)
    for t in range(1, steps):
        x[t] = phi * x[t - 1] + np.sqrt(1 - phi**2) * rng.normal(size=n)
    return x


# Computed, 4000 runs each: run length of k = 0.5, h = 5 on autocorrelated samples.
@pytest.mark.slow
@pytest.mark.parametrize(("phi", "arl"), [(0.25, 119), (0.5, 52), (0.75, 32)])
def test_autocorrelation_ruins_a_cusum_that_ignores_it(phi: float, arl: float) -> None:
    n = 2000
    cusum, run = Cusum(n), np.full(n, np.nan)
    for t, x in enumerate(autocorrelated(np.random.default_rng(3), n, 1500, phi), 1):
        cusum.step(float(t), x, np.full(n, 0.5))
        run[np.isnan(run) & cusum.signal(np.full(n, 5.0))] = t
    assert np.isfinite(run).all()
    assert run.mean() == pytest.approx(arl, rel=0.08)
