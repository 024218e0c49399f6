"""An output that moves the wrong way against the error, or stands at the wrong limit."""

from __future__ import annotations

import numpy as np

from gateway.measure.blocks import Bools, Floats, Readings
from gateway.measure.columns import Columns
from gateway.measure.hold import column_time, forward_fill, last, shifted, zeroed

from .detector import Condition
from .duties import Duties
from .minutes import Minutes
from .sides import Sides

BAND = 1.0
"""% of span that the error must pass to be on a side."""
ERROR = 3.0
"""% of span of error that an output should be doing something about (common practice)."""
TRAVEL = 10.0
"""% of the output's range moved the wrong way while the error stayed on one side."""
AT_LIMIT = 1.0
"""% of range from a limit that is at it."""
STANDS_S = 240.0
"""Seconds at the wrong limit: longer than an integral takes to unwind after a door."""


class Action:
    """Judge of action-reversed; looks at rows, because a reversed loop runs away in a minute."""

    def __init__(self, columns: Columns, duties: Duties) -> None:
        loops = columns.loops
        n = len(loops.ids)
        self._low, self._high = loops.output_low, loops.output_high
        self._sign = duties.sign
        self._sides = Sides(columns, BAND)
        self._start: Floats = np.full(n, np.nan)
        self._output: Floats = np.full(n, np.nan)
        self._limit_since: Floats = np.full(n, np.nan)
        self._first: Floats = np.full(n, np.nan)
        self._sums: Floats = np.zeros((3, n))
        self._sums_at_start: Floats = np.zeros((3, n))

    def examine(
        self, readings: Readings, _minutes: Minutes, trouble: Bools
    ) -> tuple[Condition, ...]:
        """(R, L) condition; evidence: output travel, error, and how the two go together."""
        output = 100 * (readings.output - self._low) / (self._high - self._low)
        error = self._sides.error(readings)
        wants = self._sign * error
        # Below its lower limit the drive is stopping, whatever the loop says.
        sound = np.isfinite(wants) & (readings.running != 0) & ~trouble & (output > -AT_LIMIT)
        side, changed, anew = self._sides.split(readings, error, sound)
        start, correlation = self._since_start(output, wants, sound, changed | anew)
        travel = (output - start) * side * self._sign
        wrong_way = (travel < -TRAVEL) & (np.abs(error) > ERROR)
        stands = self._stands(readings.time, output, wants, sound)
        pascals = readings.setpoint - np.where(
            np.isfinite(readings.feedback), readings.feedback, readings.combined
        )
        evidence = {
            "wrong_travel_percent": np.where(travel < 0, -travel, np.nan),
            "output_percent": output,
            "error_Pa": pascals,
            "correlation": correlation,
            "at_wrong_limit_s": stands,
        }
        wrong = wrong_way | (stands > STANDS_S)
        # After a restart a finding stays until a wrong limit would have been noticed again.
        known = sound & (wrong | self._long(readings.time, sound))
        return (
            Condition(
                "action-reversed", wrong, known, evidence,
                confidence=np.where(wrong_way, 0.9, 0.6),
            ),
        )  # fmt: skip

    def forget(self, loop: int) -> None:
        """Start again with one loop."""
        self._start[loop] = self._limit_since[loop] = np.nan

    def _since_start(
        self, output: Floats, wants: Floats, sound: Bools, begins: Bools
    ) -> tuple[Floats, Floats]:
        """(R, L) output when the stretch began, and correlation of its changes with the error."""
        start = forward_fill(output, begins & sound, self._start)
        held = forward_fill(output, sound, self._output)
        change = np.where(sound, held - shifted(held, self._output), 0.0)
        change = zeroed(change)
        pull = np.where(sound, zeroed(wants), 0.0)
        sums, at_start = [], []
        for k, product in enumerate((change * pull, change**2, pull**2)):
            carried = np.concatenate([self._sums[k][None], product])
            total = np.add.accumulate(carried, axis=0)[1:]
            before = forward_fill(total, begins, self._sums_at_start[k])
            sums.append(total)
            at_start.append(before)
        self._start, self._output = last(start), last(held)
        self._sums = np.stack([last(total) for total in sums])
        self._sums_at_start = np.stack([last(before) for before in at_start])
        both, changes, pulls = (a - b for a, b in zip(sums, at_start, strict=True))
        with np.errstate(invalid="ignore", divide="ignore"):
            return start, both / np.sqrt(np.maximum(changes * pulls, 0.0))

    def _long(self, time: Floats, sound: Bools) -> Bools:
        """(R, L) where the loop has been seen for long enough to call it right."""
        fresh = sound.any(axis=0) & np.isnan(self._first)
        self._first[fresh] = time[sound.argmax(axis=0)][fresh]
        out: Bools = time[:, None] - self._first > 1.5 * STANDS_S
        return out

    def _stands(self, time: Floats, output: Floats, wants: Floats, sound: Bools) -> Floats:
        """(R, L) seconds for which the output has stood at the limit it should leave."""
        wrong = ((output <= AT_LIMIT) & (wants > ERROR)) | (
            (output >= 100 - AT_LIMIT) & (wants < -ERROR)
        )
        when = column_time(time, output.shape[1])
        away = ~sound | ~wrong
        self._limit_since[np.isnan(self._limit_since)] = time[0]
        since = forward_fill(when, away, self._limit_since)
        self._limit_since = last(since)
        return when - since
