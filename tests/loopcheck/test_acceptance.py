"""Verdicts at and around limits; risks of simple acceptance as computed independently."""

from __future__ import annotations

from fractions import Fraction
from functools import partial
from itertools import product
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


@pytest.mark.parametrize("ends", [(-25, 100), (-0.5, 0.5), (0, 0.3), (-500, 0), (-0.25, 0.25)])
@pytest.mark.parametrize("limit", ["2", "1", "0.5", "0.25"])
def test_an_error_of_exactly_the_tolerance_passes_everywhere_in_the_range(
    ends: tuple[float, float], limit: str
) -> None:
    """Made with exact fractions: off by the tolerance itself, and by a little more.

    Without regard to what binary fractions leave over, 100 (0.52 + 0.5) - 50 is more than 52.
    """
    low, high = (Fraction(str(end)) for end in ends)
    tolerance = Fraction(limit)
    told = partial(judged, tolerance=float(tolerance), expanded=None, rule=Rule.SIMPLE)

    def percent(value: Fraction) -> float:
        return 100 * (float(value) - ends[0]) / (ends[1] - ends[0])

    for point, side in product((0, 25, 50, 75, 100), (1, -1)):
        applied = low + (high - low) * point / 100
        shown = applied + side * (high - low) * tolerance / 100
        more = applied + side * (high - low) * tolerance / 100 * Fraction("1.0001")
        assert told(percent(shown) - percent(applied)) is Verdict.PASS
        assert told(percent(more) - percent(applied)) is Verdict.FAIL


def test_error_and_uncertainty_that_fill_the_tolerance_pass() -> None:
    """0.7 + 0.1 is less than 0.8 in binary fractions, 0.2 + 0.1 more than 0.3."""
    for error, expanded, tolerance in ((0.7, 0.1, 0.8), (0.2, 0.1, 0.3)):
        assert judged(error, tolerance, expanded, Rule.GUARDED) is Verdict.PASS
    assert judged(nan, 1.0, 0.1, Rule.GUARDED) is Verdict.FAIL
