"""Straight lines through minute means, one a transducer, with standard errors.

Ordinary least squares of what is shown on what is true, both in % of span. Minute means, not
rows: a controller that scales a moment after the counts were read shows a row beside its own
noise, which would flatten a line through rows; over a minute that is gone.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp

import numpy as np

from gateway.measure.blocks import Bools, Floats

KEEP = exp(-1 / 120)
"""Weight left of a minute after the next: about two hours are remembered."""
LEAST_SD = 0.01
"""% of span: residuals are never taken to be smaller, for rounding and filters."""
LEAST_SXX = 1e-9


@dataclass(frozen=True)
class Fit:
    """(T,) in % of span. At the middle of what was seen, level and gain err independently."""

    minutes: Floats
    gain: Floats
    gain_se: Floats
    middle: Floats
    """Mean of the true values."""
    level: Floats
    """Value of the line there."""
    level_se: Floats
    moved: Floats
    """Standard deviation of the true values."""
    scatter: Floats
    """Standard deviation of the residuals, not floored; NaN below three minutes."""

    def at(self, x: Floats) -> Floats:
        """The line's value at (..., T) true values."""
        out: Floats = self.level + self.gain * (x - self.middle)
        return out

    def offset(self) -> Floats:
        """Shown % at 0 %."""
        return self.at(np.zeros_like(self.middle))

    def offset_se(self) -> Floats:
        """Its standard error."""
        return np.hypot(self.level_se, self.middle * self.gain_se)


class Lines:
    """Sums with forgetting, (T,)."""

    def __init__(self, n: int) -> None:
        self._sums = np.zeros((6, n))

    def add(self, x: Floats, y: Floats, which: Bools) -> None:
        """Take in one minute's (T,) means of the transducers `which`."""
        one = np.ones_like(x)
        new = np.stack([one, x, y, x * x, x * y, y * y])
        self._sums = np.where(which, KEEP * self._sums + np.where(which, new, 0.0), self._sums)

    def clear(self, which: Bools) -> None:
        """Start again, (T,)."""
        self._sums[:, which] = 0.0

    def fit(self, floor: Floats) -> Fit:
        """The lines so far; floor: (T,) standard deviation of y's rounding, % of span."""
        n, sx, sy, sxx, sxy, syy = self._sums
        with np.errstate(invalid="ignore", divide="ignore"):
            x, y = sx / n, sy / n
            spread = np.maximum(sxx - n * x * x, LEAST_SXX)
            gain = (sxy - n * x * y) / spread
            left = np.maximum(syy - n * y * y - gain**2 * spread, 0.0)
            scatter = np.sqrt(left / np.where(n > 2, n - 2, np.nan))
            # Few minutes know their own scatter badly.
            few = 1 + 3 / np.maximum(n - 2, 1)
            sigma = np.fmax(few * scatter, np.hypot(LEAST_SD, floor))
            return Fit(
                minutes=n.copy(), gain=gain, gain_se=sigma / np.sqrt(spread), middle=x, level=y,
                level_se=sigma / np.sqrt(n), moved=np.sqrt(spread / n), scatter=scatter,
            )  # fmt: skip
