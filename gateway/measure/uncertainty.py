"""How far a healthy transducer may be from the truth (GUM: JCGM 100:2008).

A stated limit without a distribution is taken as rectangular (u = half-width / sqrt 3), a
quantisation step as u = step / sqrt 12; independent components add as root of sum of squares.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .blocks import Floats
from .columns import TransducerColumns

YEAR_S = 365.25 * 86400
COVERAGE = 2.0
"""Expanded uncertainty U = 2 u: about 95 %."""
ASSUMED_YEARS = 1.0
"""Years since calibration where the site file gives no date."""


@dataclass(frozen=True)
class Budget:
    """(T,) standard uncertainties in Pa: the parts, and their root of sum of squares.

    Noise is no part: it is learnt, and gone from a mean over minutes, which is what limits judge.
    """

    accuracy: Floats
    thermal: Floats
    stability: Floats
    resolution: Floats
    standard: Floats
    years: Floats
    """Years since calibration that the stability is counted for."""


def budget(time: float, t: TransducerColumns) -> Budget:
    """Where each transducer's uncertainty comes from at `time`, seconds since 1970."""
    years = _years(np.array([time]), t)[0]
    return Budget(
        accuracy=t.accuracy / np.sqrt(3),
        thermal=t.thermal / np.sqrt(3),
        stability=t.stability * years / np.sqrt(3),
        resolution=t.resolution / np.sqrt(12),
        standard=standard_uncertainty(np.array([time]), t)[0],
        years=years,
    )


def standard_uncertainty(time: Floats, t: TransducerColumns) -> Floats:
    """(rows, T) standard uncertainty in Pa at each row's time.

    Stability grows with the years since calibration; one year is assumed when no date is given,
    and a date in the future counts as today.
    """
    rectangular = t.accuracy**2 + t.thermal**2 + (t.stability * _years(time, t)) ** 2
    result: Floats = np.sqrt(rectangular / 3 + t.resolution**2 / 12)
    return result


def _years(time: Floats, t: TransducerColumns) -> Floats:
    """(rows, T) years since calibration."""
    years = np.maximum(time[:, None] - t.calibrated, 0.0) / YEAR_S
    return np.where(np.isnan(t.calibrated), ASSUMED_YEARS, years)
