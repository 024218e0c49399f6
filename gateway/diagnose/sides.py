"""The error of a loop, and on which side of its set point it is."""

from __future__ import annotations

import numpy as np

from gateway.measure.blocks import Bools, Floats, Readings
from gateway.measure.columns import Columns
from gateway.measure.hold import column_time, forward_fill, last, shifted

SILENCE_S = 10.0
"""A hole in the rows after which a side begins anew; or five intervals of a slow poll."""
SETPOINT_MOVED = 0.2
"""% of span that a set point must move to count as changed."""


class Sides:
    """Splits time into stretches on one side of the set point; remembers between blocks.

    band: (L,) % of span that the error must pass for a side to change (hysteresis).
    """

    def __init__(self, columns: Columns, band: float) -> None:
        loops, t = columns.loops, columns.transducers
        n = len(loops.ids)
        self._span: Floats = np.array([t.span[m].max() for m in loops.members], dtype=np.float64)
        uses = np.where(loops.uses, columns.controllers.interval, 0.0)
        slowest = uses.max(axis=1, initial=0.0) if len(uses) else np.zeros(n)
        self._silence = np.maximum(SILENCE_S, 5 * slowest)
        self._band = band
        self._side: Floats = np.zeros(n)
        self._setpoint: Floats = np.full(n, np.nan)
        self._seen: Floats = np.full(n, -np.inf)

    def error(self, readings: Readings) -> Floats:
        """(R, L) set point minus feedback, % of the widest span; our own pressure without one."""
        seen = np.where(np.isfinite(readings.feedback), readings.feedback, readings.combined)
        out: Floats = 100 * (readings.setpoint - seen) / self._span
        return out

    def split(self, readings: Readings, error: Floats, sound: Bools) -> tuple[Floats, Bools, Bools]:
        """(R, L): side (-1, 0, 1), where it changes, and where everything begins anew.

        sound: rows that count. Anew: after silence, a stop, or a changed set point.
        """
        when = column_time(readings.time, error.shape[1])
        seen = forward_fill(when, sound, self._seen)
        silent = sound & (when - shifted(seen, self._seen) > self._silence)
        setpoint = forward_fill(readings.setpoint, sound, self._setpoint)
        stepped = np.abs(setpoint - shifted(setpoint, self._setpoint)) * 100 / self._span
        anew = silent | (sound & (stepped > SETPOINT_MOVED)) | (readings.running == 0)
        outside = sound & (np.abs(error) > self._band)
        side = forward_fill(np.where(outside, np.sign(error), 0.0), outside | anew, self._side)
        changed = outside & (side != shifted(side, self._side))
        self._seen, self._setpoint, self._side = last(seen), last(setpoint), last(side)
        return side, changed, anew
