"""CUSUM against the NIST handbook's example and published run lengths."""

from __future__ import annotations

import numpy as np
import pytest

from gateway.diagnose.sequential import Cusum, one_sided_arl, threshold, two_sided_arl

# NIST/SEMATECH e-Handbook of Statistical Methods 6.3.2.3: 20 group means, target 325,
# k = 0.3175, h = 4.1959, in the data's own unit; S_hi of groups 13 to 20 as printed.
X = [
    324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
    324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
]  # fmt: skip
S_HI = [3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04]
S_LO = [0, 0.01, 0, 0.33, 0, 0, 0.56, 0.72, 0.17, 0.25, 0.31, 0]


def test_the_handbook_example() -> None:
    cusum, up, down, first = Cusum(1), [], [], None
    for group, x in enumerate(X, 1):
        cusum.step(float(group), np.array([x - 325]), np.array([0.3175]))
        up.append(cusum.up[0])
        down.append(cusum.down[0])
        if first is None and cusum.signal(np.array([4.1959]))[0]:
            first = group
    assert up[12:] == pytest.approx(S_HI, abs=0.0051)
    assert down[:12] == pytest.approx(S_LO, abs=0.0051)
    assert first == 14
    assert cusum.since()[0] == 13


# Two-sided run lengths at k = 0.5, h = 4: Lucas & Crosier (1982) table 1, as in the examples of
# the R package spc. The approximation is known to be low at large shifts.
@pytest.mark.parametrize(
    ("shift", "published"), [(0, 168), (0.25, 74.2), (0.5, 26.6), (0.75, 13.3), (1, 8.38)]
)
def test_run_lengths_against_the_published_table(shift: float, published: float) -> None:
    assert two_sided_arl(shift, 0.5, 4.0) == pytest.approx(published, rel=0.025)


def test_run_lengths_at_h_5() -> None:
    # Siegmund's formula itself, from memory and recomputed: 469.1, one-sided 938.2, 10.34.
    assert two_sided_arl(0, 0.5, 5.0) == pytest.approx(469.1, abs=0.05)
    assert one_sided_arl(0, 0.5, 5.0) == pytest.approx(938.2, abs=0.05)
    assert two_sided_arl(1, 0.5, 5.0) == pytest.approx(10.34, abs=0.01)


# h for a two-sided CUSUM at k = 0.5, computed by Markov chain.
@pytest.mark.parametrize(
    ("arl0", "h"), [(370, 4.774), (500, 5.071), (1000, 5.757), (10_000, 8.053), (100_000, 10.355)]
)
def test_thresholds(arl0: float, h: float) -> None:
    assert threshold(0.5, arl0) == pytest.approx(h, abs=0.02)


def test_a_simulated_cusum_keeps_the_wanted_run_length() -> None:
    rng = np.random.default_rng(7)
    n, wanted, k = 2000, 200.0, 0.5
    h = threshold(k, wanted)
    cusum, alarms, samples = Cusum(n), 0, 0
    for t in range(2000):
        cusum.step(float(t), rng.normal(size=n), np.full(n, k))
        signal = cusum.signal(np.full(n, h))
        alarms += int(signal.sum())
        samples += n
        cusum.clear(signal)
    assert samples / alarms == pytest.approx(wanted, rel=0.04)


def test_a_missing_sample_changes_nothing() -> None:
    cusum = Cusum(1)
    cusum.step(0.0, np.array([3.0]), np.array([0.5]))
    cusum.step(1.0, np.array([np.nan]), np.array([0.5]))
    assert cusum.up[0] == 2.5
    assert cusum.since()[0] == 0.0


def test_a_hopeless_run_length_is_refused() -> None:
    with pytest.raises(ValueError, match="at least 10"):
        threshold(0.5, 3)
