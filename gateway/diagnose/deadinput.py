"""The believable zero: a true-zero input that is dead while its peers show pressure.

A broken wire on 0-10 V or 0-20 mA with a pull-down reads exactly 0 %: no noise, no step. A tube
that came off also reads about nothing, but the transducer's own noise goes on.
"""

from __future__ import annotations

import numpy as np

from gateway.measure.blocks import Readings
from gateway.measure.columns import Columns, by_size
from gateway.measure.quality import Quality
from gateway.measure.uncertainty import COVERAGE, standard_uncertainty

from .detector import Condition
from .minutes import peers

CLEAR_OF_ZERO = 4.0
"""Expanded uncertainties by which the peers must be away from what the dead input reads."""


class DeadInput:
    """open-circuit on signals without a live zero."""

    def __init__(self, columns: Columns) -> None:
        self._t = columns.transducers
        self._groups = by_size(columns.loops, without=("sum", "difference"))
        loops = columns.loops
        place = np.where(loops.has, loops.place_difference[:, None], 0.0)
        self._place = place.max(axis=0, initial=0.0)

    def examine(self, readings: Readings) -> tuple[Condition, ...]:
        """(R, T) condition; evidence: the signal, what it would mean, what the peers read."""
        t = self._t
        good = readings.quality < Quality.BAD
        others = peers(readings.pressure, good, self._groups)
        limit = COVERAGE * np.sqrt(2) * standard_uncertainty(readings.time, t)
        at_rest = np.abs(readings.electrical) <= np.abs(t.per_count) / 2
        far = np.abs(others - readings.pressure) > CLEAR_OF_ZERO * limit + self._place
        true_zero = (t.signal_low <= 0) & (t.signal_high > 0)
        return (
            Condition(
                "open-circuit", at_rest & far & true_zero, readings.fresh,
                {
                    "electrical_signal": readings.electrical,
                    "reading_Pa": readings.pressure,
                    "peers_Pa": others,
                },
                confidence=0.7, by="context",
            ),
        )  # fmt: skip
