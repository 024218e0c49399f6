"""Least squares with standard uncertainties and their covariance (GUM, JCGM 100:2008, H.3).

Solved by QR: normal equations lose twice the digits on nearly collinear columns.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, nan, sqrt

import numpy as np
from scipy.special import stdtrit

from gateway.measure.blocks import Floats

P95 = 0.975
"""Upper end of the middle 95 %."""


@dataclass(frozen=True)
class Fit:
    """y = design @ coefficients, p of them from n readings.

    covariance: (p, p), NaN where nothing is left over to judge scatter by. scatter: standard
    deviation of the residuals, `freedom` = n - p of them counting.
    """

    coefficients: Floats
    covariance: Floats
    scatter: float
    freedom: int
    residuals: Floats


def least_squares(design: Floats, y: Floats) -> Fit:
    """Fit an (n, p) design to (n,) readings; ValueError when they do not determine it."""
    n, p = design.shape
    # Columns of very different size (a quadratic in large loads) would look collinear.
    size = np.sqrt((design**2).sum(axis=0))
    q, r = np.linalg.qr(design / np.where(size > 0, size, 1.0))
    if n < p or (np.abs(np.diag(r)) < n * np.finfo(float).eps).any():
        raise ValueError(f"{n} readings: at least {p} that lie apart")
    inverse = np.linalg.inv(r)
    coefficients = inverse @ (q.T @ y) / size
    residuals = y - design @ coefficients
    freedom = n - p
    scatter = sqrt(float(residuals @ residuals) / freedom) if freedom else nan
    return Fit(
        coefficients, scatter**2 * (inverse @ inverse.T) / np.outer(size, size), scatter, freedom,
        residuals,
    )  # fmt: skip


@dataclass(frozen=True)
class Line:
    """y = level + slope (x - origin), with standard uncertainties and their correlation."""

    origin: float
    level: float
    slope: float
    level_u: float
    slope_u: float
    correlation: float
    scatter: float
    freedom: int

    def at(self, x: float) -> float:
        """The line's value."""
        return self.level + self.slope * (x - self.origin)

    def at_u(self, x: float) -> float:
        """Its standard uncertainty, the correlation of level and slope counted."""
        d = x - self.origin
        both = 2 * d * self.level_u * self.slope_u * self.correlation
        return sqrt(max(0.0, self.level_u**2 + (d * self.slope_u) ** 2 + both))


def straight_line(x: Floats, y: Floats, origin: float = 0.0) -> Line:
    """The line through (n,) readings; ValueError when fewer than two x lie apart."""
    fit = least_squares(np.column_stack([np.ones_like(x), x - origin]), y)
    level_u, slope_u = np.sqrt(np.diag(fit.covariance)).tolist()
    both = level_u * slope_u
    return Line(
        origin, float(fit.coefficients[0]), float(fit.coefficients[1]), level_u, slope_u,
        float(fit.covariance[0, 1]) / both if both > 0 else 0.0, fit.scatter, fit.freedom,
    )  # fmt: skip


def coverage(freedom: float) -> float:
    """Factor from a standard uncertainty to one that holds 95 % (Student's t; GUM annex G)."""
    return float(stdtrit(freedom, P95)) if freedom != inf else float(stdtrit(1e9, P95))


def effective_freedom(parts: tuple[tuple[float, float], ...]) -> float:
    """Degrees of freedom of a root of sum of squares (Welch and Satterthwaite; GUM G.4).

    parts: (standard uncertainty, its degrees of freedom; infinite for one stated by somebody).
    """
    total = sum(u**2 for u, _ in parts) ** 2
    below = sum(u**4 / freedom for u, freedom in parts)
    return total / below if below > 0 else inf
