"""Beyond the range: over-range and under-range."""

from __future__ import annotations

import numpy as np

from gateway.measure.blocks import Readings
from gateway.measure.columns import TransducerColumns
from gateway.measure.quality import Reason

from .detector import Condition


class Range:
    """over-range and under-range, from the reasons that measuring gave."""

    def __init__(self, t: TransducerColumns) -> None:
        self._t = t

    def examine(self, readings: Readings) -> tuple[Condition, ...]:
        """(R, T) conditions; evidence: pressure and the range value it passed."""
        t = self._t
        at_end = readings.reasons == Reason.INPUT_LIMIT
        upper_half = readings.pressure > t.lrv + t.span / 2
        over = (readings.reasons == Reason.OVER_RANGE) | (at_end & upper_half)
        under = (readings.reasons == Reason.UNDER_RANGE) | (at_end & ~upper_half)
        shape = readings.pressure.shape
        return (
            Condition(
                "over-range", over, readings.fresh,
                {
                    "pressure_Pa": readings.pressure,
                    "upper_range_value_Pa": np.broadcast_to(t.lrv + t.span, shape),
                },
            ),
            Condition(
                "under-range", under, readings.fresh,
                {
                    "pressure_Pa": readings.pressure,
                    "lower_range_value_Pa": np.broadcast_to(t.lrv, shape),
                },
            ),
        )  # fmt: skip
