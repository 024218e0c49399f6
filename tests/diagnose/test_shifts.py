"""The test of shifts against a published table, and how seldom it cries wolf."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from gateway.diagnose.picture import Picture, blank
from gateway.diagnose.shifts import Shifts
from gateway.measure.columns import Columns, columns
from tests.sites import site, transducer

from .test_published import autocorrelated

# NIST/SEMATECH e-Handbook 6.3.2.4: EWMA, lambda 0.3, from a target of 50.
EWMA_X = [
    52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8,
    51.2, 52.6, 52.4, 53.6, 52.1,
]  # fmt: skip
EWMA_Z = [
    50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52,
    50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
]  # fmt: skip


def test_the_smoothed_difference_is_the_handbooks_ewma(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("gateway.diagnose.shifts.QUICK", 0.3)
    here = columns(site({"p1": transducer("a.c1")}, {}))
    shifts, picture, smooth = Shifts(here), blank(here), []
    for minute, x in enumerate([50.0, *EWMA_X]):
        one = np.array([x])
        nothing = np.zeros(1)
        shifts.step(60.0 * minute, one, nothing, nothing, np.array([1e3]), picture)
        smooth.append(float(shifts.smooth[0]))
    assert smooth[1:] == pytest.approx(EWMA_Z, abs=0.0051)


def schooled(here: Columns, phi: float, sd: float) -> Picture:
    """A picture that has learnt enough of everyone: deviation and correlation of minutes."""
    picture = blank(here)
    picture.count[:] = 1440.0
    picture.square[:] = sd**2 * 1440.0
    picture.left[:] = 1.0
    picture.lagged[:] = phi
    picture.low[:] = picture.high[:] = 0.0
    return picture


@pytest.mark.slow
@pytest.mark.parametrize("phi", [0.0, 0.5, 0.8])
def test_with_the_learnt_correlation_false_alarms_come_as_seldom_as_wanted(phi: float) -> None:
    n, wanted, steps = 400, 465.0, 3000
    nouns: dict[str, Any] = {f"p{k}": transducer("a.c1") for k in range(n)}
    here = columns(site(nouns, {}))
    shifts, picture = Shifts(here, wanted), schooled(here, phi, sd=1.0)
    alarms = 0
    for t, x in enumerate(autocorrelated(np.random.default_rng(4), n, steps, phi)):
        shifts.step(60.0 * t, x, np.zeros(n), np.zeros(n), np.full(n, np.inf), picture)
        signal = shifts.cusum.signal(shifts.h)
        alarms += int(signal.sum())
        shifts.cusum.clear(signal)
    assert n * steps / alarms == pytest.approx(wanted, rel=0.06)
