"""Accuracy figures of one transducer from the readings of a check, all in % of output span.

The texts of IEC 61298-2 and ISA-51.1 were not seen. Where the definitions come from:
- error = 100 (measured - ideal) / ideal span, its sign kept: common practice, no source.
- inaccuracy: the most positive and the most negative error of all (secondary texts that quote
  IEC 61298-2 for "inaccuracy" and ISA-51.1 for "accuracy, measured").
- measured error: the largest of the average errors going up and going down: common practice, no
  source.
- hysteresis, dead band included: the largest difference at one point between going down and going
  up; here of the averages of all cycles (common practice, no source). US regulation 43 CFR
  3175.135 (a) (2) takes it pair by pair, which is the same for one cycle and never less for more.
- repeatability: the largest spread at one point approached from one side (43 CFR 3175.135 (a) (3)).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from gateway.measure.blocks import Floats

from . import linearity

Direction = Literal["up", "down"]


@dataclass(frozen=True)
class Reading:
    """One reading. point: the nominal % of span; applied: what the reference said, % of span."""

    point: float
    direction: Direction
    applied: float
    measured: float

    @property
    def error(self) -> float:
        """% of span."""
        return self.measured - self.applied


@dataclass(frozen=True)
class Characteristics:
    """% of span; None where the readings cannot tell."""

    lowest_error: float
    highest_error: float
    measured_error: float
    """The largest average, with its sign."""
    hysteresis: float | None
    repeatability: float | None
    terminal_based: float | None
    zero_based: float | None
    independent: float | None

    @property
    def worst(self) -> float:
        """The error farthest from zero."""
        return max(self.lowest_error, self.highest_error, key=abs)


def characteristics(readings: Sequence[Reading]) -> Characteristics:
    """Every figure that these readings can give; ValueError without any."""
    if not readings:
        raise ValueError("no readings: at least one")
    errors = [one.error for one in readings]
    by_side = _by_side(readings)
    means = {side: _mean(values) for side, values in by_side.items()}
    points = sorted({point for point, _ in means})
    both = [p for p in points if (p, "up") in means and (p, "down") in means]
    x, y = _curve(points, means)
    lines = len(points) > 2  # two points are always on a line: that tells nothing
    return Characteristics(
        lowest_error=min(errors),
        highest_error=max(errors),
        measured_error=max(means.values(), key=abs),
        hysteresis=max((abs(means[p, "down"] - means[p, "up"]) for p in both), default=None),
        repeatability=max(
            (max(values) - min(values) for values in by_side.values() if len(values) > 1),
            default=None,
        ),
        terminal_based=linearity.terminal_based(x, y) if lines else None,
        zero_based=linearity.zero_based(x, y) if lines else None,
        independent=linearity.independent(x, y) if lines else None,
    )


def _by_side(readings: Iterable[Reading]) -> dict[tuple[float, Direction], list[float]]:
    found: dict[tuple[float, Direction], list[float]] = {}
    for one in readings:
        found.setdefault((one.point, one.direction), []).append(one.error)
    return found


def _curve(
    points: Sequence[float], means: dict[tuple[float, Direction], float]
) -> tuple[Floats, Floats]:
    """The average curve: at each point the mean of the two directions' averages."""
    sides: tuple[Direction, Direction] = ("up", "down")
    y = [_mean([means[p, side] for side in sides if (p, side) in means]) for p in points]
    return np.array(points, dtype=np.float64), np.array(y, dtype=np.float64)


def _mean(values: Sequence[float]) -> float:
    return sum(values) / len(values)
