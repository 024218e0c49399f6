"""Verdicts at and around limits; risks of simple acceptance as computed independently."""

from __future__ import annotations

from math import nan

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.loopcheck.acceptance import (
    Rule,
    Verdict,
    applied_rule,
    judged,
    ratio,
    risk,
    worst,
)

# With 95 % of devices in tolerance: ratio, false acceptance %, false rejection %. Computed with
# another program.
RISKS = ((1, 1.801, 12.96), (2, 1.337, 4.18), (3, 1.049, 2.29), (4, 0.858, 1.55), (10, 0.406, 0.52))


@pytest.mark.parametrize(("test_ratio", "accepted", "rejected"), RISKS)
def test_risks_of_simple_acceptance(test_ratio: float, accepted: float, rejected: float) -> None:
    found = risk(test_ratio)
    assert 100 * found[0] == pytest.approx(accepted, abs=0.0006)
    assert 100 * found[1] == pytest.approx(rejected, abs=0.006)


def test_four_to_one_does_not_keep_two_per_cent() -> None:
    """Worst population 2.24 %; 4.51 is what it takes (computed)."""
    shares = np.linspace(0.3, 0.99, 139).tolist()
    assert max(risk(4.0, share)[0] for share in shares) == pytest.approx(0.0224, abs=5e-5)
    assert max(risk(4.514, share)[0] for share in shares) == pytest.approx(0.02, abs=5e-6)


@pytest.mark.slow
def test_risks_by_drawing_lots() -> None:
    rng = np.random.default_rng(7)
    device = rng.normal(0, 1 / 1.959964, 2_000_000)
    seen = device + rng.normal(0, 1 / 2 / 2, device.size)
    false_accept = np.mean((np.abs(device) > 1) & (np.abs(seen) <= 1))
    false_reject = np.mean((np.abs(device) <= 1) & (np.abs(seen) > 1))
    assert risk(2.0) == pytest.approx((false_accept, false_reject), abs=4e-4)


@pytest.mark.parametrize(
    ("error", "expanded", "rule", "verdict"),
    [
        (0.50, 0.1, Rule.SIMPLE, Verdict.PASS),
        (-0.50, 0.1, Rule.SIMPLE, Verdict.PASS),
        (0.5001, 0.1, Rule.SIMPLE, Verdict.FAIL),
        (0.40, 0.1, Rule.GUARDED, Verdict.PASS),
        (-0.41, 0.1, Rule.GUARDED, Verdict.NOT_PROVED),
        (0.51, 0.1, Rule.GUARDED, Verdict.FAIL),
        (0.10, None, Rule.GUARDED, Verdict.NOT_PROVED),
        (0.49, 0.125, Rule.BY_RATIO, Verdict.PASS),
        (0.49, 0.126, Rule.BY_RATIO, Verdict.NOT_PROVED),
        (0.49, None, Rule.BY_RATIO, Verdict.PASS),
        (nan, 0.1, Rule.SIMPLE, Verdict.FAIL),
    ],
)
def test_verdicts(error: float, expanded: float | None, rule: Rule, verdict: Verdict) -> None:
    assert judged(error, 0.5, expanded, rule) is verdict


def test_the_rule_follows_the_ratio() -> None:
    assert ratio(0.5, 0.125) == 4
    assert ratio(0.5, None) is ratio(0.5, 0.0) is None
    assert applied_rule(Rule.BY_RATIO, 0.5, 0.125) is Rule.SIMPLE
    assert applied_rule(Rule.BY_RATIO, 0.5, 0.2) is Rule.GUARDED
    assert applied_rule(Rule.SIMPLE, 0.5, 0.2) is Rule.SIMPLE


@given(st.floats(-2, 2), st.floats(0, 1), st.floats(0.1, 2))
def test_a_guard_never_lets_more_pass(error: float, expanded: float, tolerance: float) -> None:
    guarded = judged(error, tolerance, expanded, Rule.GUARDED)
    simple = judged(error, tolerance, expanded, Rule.SIMPLE)
    assert worst([guarded, simple]) is guarded


def test_the_worst_of_several_counts_and_nothing_proves_nothing() -> None:
    assert worst([Verdict.PASS, Verdict.NOT_PROVED, Verdict.PASS]) is Verdict.NOT_PROVED
    assert worst([Verdict.FAIL, Verdict.NOT_PROVED]) is Verdict.FAIL
    assert worst([]) is Verdict.NOT_PROVED
