"""Zero and span error of a transducer or of a controller's input, and what to enter against it.

The error is fitted as a straight line of what was applied, both in % of span, as the calibration
of a thermometer is in GUM H.3. The reference's own uncertainty is added to what the scatter tells:
once for the zero, twice for the span, whose two ends it may move apart.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import inf, isfinite, sqrt

import numpy as np

from .characteristics import Reading
from .regression import Line, coverage, effective_freedom, straight_line


@dataclass(frozen=True)
class Part:
    """Zero or span error, % of span. expanded: half-width that holds 95 %, None if not known."""

    error: float
    expanded: float | None

    @property
    def significant(self) -> bool:
        """True when it is not explained by its uncertainty."""
        return self.expanded is not None and abs(self.error) > self.expanded


@dataclass(frozen=True)
class ZeroAndSpan:
    """measured = applied + zero + span x applied / 100, in % of span."""

    zero: Part
    span: Part
    line: Line

    @property
    def gain(self) -> float:
        """Measured % for each % applied."""
        return 1 + self.line.slope


def zero_and_span(
    readings: list[Reading], reference: float | None, each: float = 0.0
) -> ZeroAndSpan | None:
    """The line of errors; None when fewer than two points lie apart.

    reference: standard uncertainty of the reference, % of span, None if it is not stated. each:
    standard uncertainty of one reading, for a check of so few that scatter tells nothing.
    """
    if len({one.point for one in readings}) < 2:
        return None
    x = np.array([one.applied for one in readings])
    y = np.array([one.error for one in readings])
    try:
        line = straight_line(x, y)
    except ValueError:  # nominally apart, applied alike
        return None
    zero_u, span_u, freedom = line.level_u, 100 * line.slope_u, float(line.freedom)
    if not line.freedom:
        spread = float(((x - x.mean()) ** 2).sum())
        zero_u = each * sqrt(1 / len(x) + float(x.mean()) ** 2 / spread)
        span_u, freedom = 100 * each / sqrt(spread), inf
    return ZeroAndSpan(
        Part(line.at(0.0), _expanded(zero_u, freedom, reference, 1.0)),
        Part(100 * line.slope, _expanded(span_u, freedom, reference, 2.0)),
        line,
    )


def error_at(
    applied: float, readings: list[Reading], reference: float | None, each: float = 0.0
) -> Part | None:
    """The error that the line of others has at a pressure (% of span) where none could be read.

    As `zero_and_span`, whose zero it is when every pressure is counted from there.
    """
    shifted = [
        replace(one, applied=one.applied - applied, measured=one.measured - applied)
        for one in readings
    ]
    line = zero_and_span(shifted, reference, each)
    return line.zero if line else None


def _expanded(own: float, freedom: float, reference: float | None, times: float) -> float | None:
    if reference is None or not isfinite(own):
        return None
    stated = sqrt(times) * reference
    total = sqrt(own**2 + stated**2)
    if total == 0:
        return 0.0
    return coverage(effective_freedom(((own, freedom), (stated, inf)))) * total


@dataclass(frozen=True)
class Proposal:
    """What to enter, for a person to judge; pressures in the transducer's unit.

    Either the range of the input in the controller, which then reads right although the device
    does not, or zero and span of the device itself.
    """

    range_low: float
    range_high: float
    zero_signal: float
    """mA or V that the device should send less at 0 %: negative means more."""
    span_signal: float
    """The same for the width from 0 to 100 %, after the zero is right."""


def proposal(
    found: ZeroAndSpan, range_: tuple[float, float], signal: tuple[float, float]
) -> Proposal:
    """Against these errors; range_ in the unit to enter, signal in mA or V at 0 and 100 %."""
    low, high = range_
    width, zero = (high - low) / 100, found.zero.error
    sends = (signal[1] - signal[0]) / 100
    return Proposal(
        range_low=low + width * (0 - zero) / found.gain,
        range_high=low + width * (100 - zero) / found.gain,
        zero_signal=sends * zero,
        span_signal=sends * found.span.error,
    )
