"""Whether an error is accepted, and how sure that is.

Test uncertainty ratio = tolerance / expanded uncertainty of the check, both half-widths (from
secondary texts). Guarded acceptance: the error and the uncertainty together must lie inside the
tolerance. That a ratio of 4 is enough for simple acceptance is common practice; it does not keep
false acceptance below 2 % for every population (2.2 %, computed).
"""

from __future__ import annotations

from enum import StrEnum
from functools import cache
from math import sqrt

import numpy as np
from scipy.special import ndtr, ndtri

from gateway.measure.blocks import Floats
from gateway.measure.uncertainty import COVERAGE

ENOUGH = 4.0
"""Ratio from which simple acceptance is usual (common practice)."""


EXACT = 1e-6
"""Share of a limit below which a difference from it is none: readings are kept to nine digits, and
a difference of two percentages has less. An error told as 2 % is not beyond 2 %."""


class Rule(StrEnum):
    """How a limit is applied."""

    SIMPLE = "simple"
    GUARDED = "guarded"
    BY_RATIO = "by ratio"
    """Simple from a test uncertainty ratio of 4 on, and where no uncertainty is stated."""


class Verdict(StrEnum):
    """Of a point, a transducer or a whole check, best first."""

    PASS = "pass"  # noqa: S105 - a verdict, no password
    NOT_PROVED = "not proved"
    """Inside the limit, but not by as much as the uncertainty; or nothing that tells."""
    FAIL = "fail"


def ratio(tolerance: float, expanded: float | None) -> float | None:
    """Test uncertainty ratio; None where the uncertainty is not known, or nothing at all."""
    return tolerance / expanded if expanded else None


def applied_rule(rule: Rule, tolerance: float, expanded: float | None) -> Rule:
    """SIMPLE or GUARDED: what the rule comes to at this uncertainty."""
    if rule is not Rule.BY_RATIO:
        return rule
    found = ratio(tolerance, expanded)
    return Rule.SIMPLE if found is None or found >= ENOUGH else Rule.GUARDED


def outside(size: float, limit: float) -> bool:
    """Whether a size is beyond a limit: at the limit it is not, and what is no number is."""
    return not size <= limit * (1 + EXACT)


def judged(error: float, tolerance: float, expanded: float | None, rule: Rule) -> Verdict:
    """The verdict on one error; all in the same unit. At the limit passes.

    A guarded rule without a stated uncertainty proves nothing.
    """
    if outside(abs(error), tolerance):
        return Verdict.FAIL
    if applied_rule(rule, tolerance, expanded) is Rule.SIMPLE:
        return Verdict.PASS
    if expanded is None or outside(abs(error) + expanded, tolerance):
        return Verdict.NOT_PROVED
    return Verdict.PASS


def worst(verdicts: list[Verdict]) -> Verdict:
    """Of several: all must pass; NOT_PROVED when there is none."""
    return max(verdicts, key=list(Verdict).index, default=Verdict.NOT_PROVED)


def risk(test_ratio: float, in_tolerance: float = 0.95) -> tuple[float, float]:
    """Shares of all devices that simple acceptance accepts falsely, and rejects falsely.

    in_tolerance: share of devices that are inside before the check. Errors of devices and of the
    check are taken as normal around zero; the expanded uncertainty is twice the standard one.
    """
    device = 1 / ndtri((1 + in_tolerance) / 2)  # in tolerances
    check = 1 / test_ratio / COVERAGE
    nodes, weights = _nodes()

    def share(low: float, high: float, *, accepted: bool) -> float:
        x = (low + high) / 2 + (high - low) / 2 * nodes
        inside = ndtr((1 - x) / check) - ndtr((-1 - x) / check)
        density = np.exp(-((x / device) ** 2) / 2) / (device * sqrt(2 * np.pi))
        told = inside if accepted else 1 - inside
        return float((high - low) / 2 * (weights * density * told).sum())

    # Beyond the limit by twelve times what the check may be off, nothing is accepted.
    return 2 * share(1, 1 + 12 * check, accepted=True), 2 * share(0, 1, accepted=False)


@cache
def _nodes() -> tuple[Floats, Floats]:
    """Places and weights of a Gaussian quadrature on -1 to 1."""
    return np.polynomial.legendre.leggauss(100)
