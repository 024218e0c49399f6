"""Counts -> volts or milliamps -> pressure, and the reason why a reading is not good."""

from __future__ import annotations

import numpy as np

from .blocks import Codes, Floats
from .columns import TransducerColumns
from .quality import Reason

RANGE_MARGIN = 0.01
"""Share of span beyond LRV or URV that is still called in range (common practice)."""


def electrical(counts: Floats, t: TransducerColumns) -> Floats:
    """(rows, T) mA or V at the device, from (rows, T) counts."""
    result: Floats = t.at_zero + counts * t.per_count
    return result


def pressure(signal: Floats, t: TransducerColumns) -> Floats:
    """(rows, T) Pa from mA or V by the nameplate range, beyond its ends too."""
    share = (signal - t.signal_low) / (t.signal_high - t.signal_low)
    result: Floats = t.lrv + share * t.span
    return result


def reasons(signal: Floats, t: TransducerColumns) -> Codes:
    """(rows, T) reason codes from the signal alone; NONE for NaN (the point says why).

    Bands: NAMUR NE 43 (2003) from secondary texts: at the failure limits counts as failure, at
    the measurement limits as measurement.
    """
    share = (signal - t.signal_low) / (t.signal_high - t.signal_low)
    # A unipolar device on a true-zero signal rests at the low end of its input whenever the fan
    # is off: that end only hides something when the range has a negative side.
    hides_low = (t.card_low >= t.signal_low - 1e-9) & (t.lrv < 0)
    step = t.step / 2
    cases: list[tuple[np.ndarray, Reason]] = [
        (signal <= t.failure_low, Reason.FAILURE_LOW),
        (signal >= t.failure_high, Reason.FAILURE_HIGH),
        (signal < t.measure_low, Reason.UNDEFINED_BAND),
        (signal > t.measure_high, Reason.UNDEFINED_BAND),
        (share < -RANGE_MARGIN, Reason.UNDER_RANGE),
        (share > 1 + RANGE_MARGIN, Reason.OVER_RANGE),
        (signal >= t.card_high - step, Reason.INPUT_LIMIT),
        ((signal <= t.card_low + step) & hides_low, Reason.INPUT_LIMIT),
    ]
    codes = [np.uint8(reason) for _, reason in cases]
    return np.select([case for case, _ in cases], codes, np.uint8(Reason.NONE)).astype(np.uint8)
