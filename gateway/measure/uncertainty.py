"""How far a healthy transducer may be from the truth (GUM: JCGM 100:2008).

A stated limit without a distribution is taken as rectangular (u = half-width / sqrt 3), a
quantisation step as u = step / sqrt 12; independent components add as root of sum of squares.
"""

from __future__ import annotations

import numpy as np

from .blocks import Floats
from .columns import TransducerColumns

YEAR_S = 365.25 * 86400
COVERAGE = 2.0
"""Expanded uncertainty U = 2 u: about 95 %."""


def standard_uncertainty(time: Floats, t: TransducerColumns) -> Floats:
    """(rows, T) standard uncertainty in Pa at each row's time.

    Stability grows with the years since calibration; one year is assumed when no date is given,
    and a date in the future counts as today.
    """
    years = np.maximum(time[:, None] - t.calibrated, 0.0) / YEAR_S
    years = np.where(np.isnan(t.calibrated), 1.0, years)
    rectangular = t.accuracy**2 + t.thermal**2 + (t.stability * years) ** 2
    result: Floats = np.sqrt(rectangular / 3 + t.resolution**2 / 12)
    return result
