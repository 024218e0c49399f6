"""An input that rests at its end while its peers read something else.

The believable zero: a broken wire on 0-10 V or 0-20 mA with a pull-down reads exactly 0 %, with no
noise and no step. A tube that came off also reads about nothing, but the transducer's own noise
goes on. The believable full scale: supply on an input that ends at 100 %.
"""

from __future__ import annotations

import numpy as np

from gateway.measure.blocks import Bools, Floats, Readings
from gateway.measure.columns import Columns, TransducerColumns, by_size
from gateway.measure.hold import column_time, forward_fill, last
from gateway.measure.quality import Quality
from gateway.measure.uncertainty import COVERAGE, standard_uncertainty

from .detector import Condition
from .minutes import peers
from .wire import supply_level

CLEAR = 4.0
"""Expanded uncertainties by which the peers must be away from what the resting input reads."""
REST_S = 10.0
"""Seconds without a single step off the end: a live device's noise would show meanwhile."""
COUNTS = 2.5
"""Counts by which the converter itself may flicker on a dead input (common practice, no source)."""
JUMP = 0.1
"""Share of the signal's span that lay between the end and the last reading before it."""


class DeadInput:
    """open-circuit on signals without a live zero, short-circuit on inputs that end at 100 %."""

    def __init__(self, columns: Columns) -> None:
        t = self._t = columns.transducers
        self._groups = by_size(columns.loops, without=("sum", "difference"))
        loops = columns.loops
        place = np.where(loops.has, loops.place_difference[:, None], 0.0)
        self._place = place.max(axis=0, initial=0.0)
        self._true_zero = (t.signal_low <= 0) & (t.signal_high > 0)
        self._hidden_top = np.isinf(supply_level(t)) & np.isfinite(t.card_high)
        self._zero, self._top = _End(t), _End(t)

    def examine(self, readings: Readings) -> tuple[Condition, ...]:
        """(R, T) conditions; evidence: the signal, what it would mean, what the peers read."""
        t = self._t
        good = readings.quality < Quality.BAD
        others = peers(readings.pressure, good, self._groups)
        limit = COVERAGE * np.sqrt(2) * standard_uncertainty(readings.time, t)
        clear = CLEAR * limit + self._place
        far = np.abs(others - readings.pressure) > clear
        step = COUNTS * t.step
        at_zero, _ = self._zero.rests(readings, np.abs(readings.electrical) > step)
        at_top, unseen = self._top.rests(readings, readings.electrical < t.card_high - step)
        high = far
        if (at_top & unseen).any():
            # It may have been driven there before the first row, by a fan that follows a peer
            # whose wire is broken: such a peer is no witness.
            witnesses = peers(readings.pressure, good & ~at_zero, self._groups)
            high = far & (~unseen | (np.abs(witnesses - readings.pressure) > clear))
        evidence = {
            "electrical_signal": readings.electrical,
            "reading_Pa": readings.pressure,
            "peers_Pa": others,
        }
        return (
            Condition(
                "open-circuit", at_zero & far & self._true_zero, readings.fresh, evidence,
                confidence=0.7, by="context",
            ),
            Condition(
                "short-circuit", at_top & high & self._hidden_top, readings.fresh, evidence,
                confidence=0.6, by="context",
            ),
        )  # fmt: skip


class _End:
    """One end of every input: which rest there, having fallen on it in one step."""

    def __init__(self, t: TransducerColumns) -> None:
        self._least = JUMP * (t.signal_high - t.signal_low)
        self._left: Floats = np.full(len(t.ids), np.nan)
        self._from: Floats = np.full(len(t.ids), np.nan)

    def rests(self, readings: Readings, away: Bools) -> tuple[Bools, Bools]:
        """(R, T) where an input has been at its end for long enough, and where since ever.

        away: where it is not there.
        """
        off = readings.fresh & away
        when = column_time(readings.time, off.shape[1])
        left = forward_fill(when, off, self._left)
        # Nothing seen yet counts from the first row on.
        left = np.where(np.isnan(left), when[0], left)
        fell_from = forward_fill(readings.electrical, off, self._from)
        self._left, self._from = last(left), last(fell_from)
        # A reading that creeps to its end was driven there by the fan: it is alive.
        jumped = ~(np.abs(readings.electrical - fell_from) < self._least)
        return jumped & (when - left >= REST_S), np.isnan(fell_from)
