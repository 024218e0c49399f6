"""How far the average curve is from a straight line, in the three ways that are in use.

The texts of IEC 61298-2 and ISA-51.1 were not seen. Independent linearity, of the average of both
directions: as a European control list of goods defines "linearity" (read on a secondary page). Zero
based and terminal based: an encyclopaedia's article on linearity. The curve is the average error
at each point, so a straight line in it is a zero and a span error.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np

from gateway.measure.blocks import Floats


def terminal_based(x: Floats, y: Floats) -> float:
    """Largest distance from the line through both ends; (n,) points, x rising, n at least 2."""
    slope = (y[-1] - y[0]) / (x[-1] - x[0])
    return float(np.abs(y - y[0] - slope * (x - x[0])).max())


def zero_based(x: Floats, y: Floats) -> float:
    """Largest distance from the best line through the first point: that whose largest is least.

    The best slope makes two points, or one alone, equally far off on opposite sides.
    """
    run, rise = x[1:] - x[0], y[1:] - y[0]
    slopes = (rise[:, None] + rise[None, :]) / (run[:, None] + run[None, :])
    worst = np.abs(rise[:, None, None] - slopes[None] * run[:, None, None]).max(axis=0)
    return float(worst.min())


def independent(x: Floats, y: Floats) -> float:
    """Largest distance from the best line of all: half the greatest bend of any three points.

    (De la Vallee Poussin: the best line's error is that of the worst three points.)
    """
    bends = [0.0]
    for i, k, j in combinations(range(len(x)), 3):
        chord = y[i] + (y[j] - y[i]) * (x[k] - x[i]) / (x[j] - x[i])
        bends.append(abs(float(y[k] - chord)) / 2)
    return max(bends)
