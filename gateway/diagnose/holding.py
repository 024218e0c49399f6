"""Whether a running loop holds its set point, and whether its output has anything left."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from gateway.measure.blocks import Bools, Floats, Readings
from gateway.measure.columns import ABSENT, Columns

from .detector import Condition
from .minutes import Minutes
from .picture import RUNNING
from .sides import SETPOINT_MOVED
from .standing import Stand, spread
from .states import States

OF_SPAN, OF_SETPOINT = 3.0, 5.0
"""% of span and of the set point, the larger of which a minute's mean may be away from it."""
BACK = 0.7
"""Share of that within which it is held again."""
MISSED, HELD = 7, 10
"""Minutes on end that the set point must be missed, or held: a wrong setting is named sooner."""
WINDOW = 10
"""Minutes over which the share of time at a limit is taken."""
ENOUGH = 5
SATURATED, FREE = 0.6, 0.1
"""Share of time at a limit from which the output is saturated, and below which no longer."""
AT_LIMIT = 0.5
"""% of range from a limit that is at it."""
ENDS = ("lower limit", "upper limit")
NUMBERS = (
    "error_Pa", "feedback_Pa", "setpoint_Pa", "output", "at_limit_percent_of_time", "limit",
)  # fmt: skip


class Holding:
    """Judge of setpoint-not-held and output-saturated."""

    def __init__(self, columns: Columns) -> None:
        loops = columns.loops
        n = len(loops.ids)
        self._low, self._high = loops.output_low, loops.output_high
        self._span = np.array([columns.transducers.span[m].max() for m in loops.members])
        self._states = States(columns)
        # With neither point nobody knows whether the fan should be running.
        self._tells: Bools = (loops.running != ABSENT) | (loops.output != ABSENT)
        self._troubled: Bools = np.zeros(n, dtype=np.bool_)
        self._rows: Floats = np.zeros(n)
        self._at: Floats = np.zeros((2, n))
        """Rows at the lower and at the upper limit in this minute."""
        self._share: Floats = np.full((WINDOW, 2, n), np.nan)
        self._setpoint: Floats = np.full(n, np.nan)
        self._away: Floats = np.zeros(n)
        """Minutes on end above (+) or below (-) the set point by too much."""
        self._near: Floats = np.zeros(n)
        self._missed, self._saturated = (np.zeros(n, dtype=np.bool_) for _ in range(2))
        self._knows: Bools = np.zeros((2, n), dtype=np.bool_)
        self._numbers = {name: np.full(n, np.nan) for name in NUMBERS}

    def examine(
        self, readings: Readings, minutes: Minutes, trouble: Bools
    ) -> tuple[Condition, ...]:
        """(R, L) conditions; evidence: error, output, and its share of time at a limit."""
        output = 100 * (readings.output - self._low) / (self._high - self._low)
        ran = np.isfinite(output) & (readings.running != 0)
        at = np.stack([ran & (output <= AT_LIMIT), ran & (output >= 100 - AT_LIMIT)])
        stands: list[Stand] = [(0, self._stand())]
        start = 0
        for k, row in enumerate(minutes.row.tolist()):
            self._take(ran, at, trouble, slice(start, row))
            self._minute(minutes, k)
            stands.append((row, self._stand()))
            start = row
        self._take(ran, at, trouble, slice(start, len(ran)))
        now = spread(len(ran), stands)
        numbers = {name: now[name] for name in NUMBERS}
        fine = ~trouble & (readings.running != 0)
        return (
            Condition(
                "output-saturated", now["saturated"], fine & now["knows output"], numbers,
                words={"limit": ENDS}, confidence=0.9,
            ),
            Condition(
                "setpoint-not-held", now["missed"], fine & now["knows error"], numbers,
                words={"limit": ENDS}, confidence=0.9,
            ),
        )  # fmt: skip

    def forget(self, loop: int) -> None:
        """Start again with one loop."""
        self._anew(np.arange(len(self._rows)) == loop)
        self._missed[loop] = self._saturated[loop] = False

    def _anew(self, which: Bools) -> None:
        self._share[..., which] = np.nan
        self._away[which] = self._near[which] = 0

    def _take(self, ran: Bools, at: Bools, trouble: Bools, part: slice) -> None:
        self._rows += ran[part].sum(axis=0)
        self._at += at[:, part].sum(axis=1)
        self._troubled |= trouble[part].any(axis=0)

    def _minute(self, minutes: Minutes, k: int) -> None:
        self._states.step(minutes, k)
        setpoint = minutes.setpoint[k]
        moved = np.abs(setpoint - self._setpoint) * 100 / self._span > SETPOINT_MOVED
        self._setpoint = np.where(np.isfinite(setpoint), setpoint, self._setpoint)
        runs = self._states.settled(RUNNING) & ~self._troubled & self._tells
        self._anew(~runs | moved)
        self._error(minutes, k, runs & ~moved)
        self._limits(runs & ~moved & (self._rows > 0))
        self._numbers["output"] = minutes.output[k].copy()
        self._rows[:], self._at[:], self._troubled[:] = 0, 0, False

    def _error(self, minutes: Minutes, k: int, runs: Bools) -> None:
        seen = np.where(np.isfinite(minutes.feedback[k]), minutes.feedback[k], minutes.combined[k])
        error = minutes.setpoint[k] - seen
        may = np.maximum(OF_SPAN * self._span, OF_SETPOINT * np.abs(minutes.setpoint[k])) / 100
        runs = runs & np.isfinite(error)
        far, near = runs & (np.abs(error) > may), runs & (np.abs(error) < BACK * may)
        same = np.sign(error) * self._away > 0
        self._away = np.where(far, np.sign(error) + np.where(same, self._away, 0), 0)
        self._near = np.where(near, self._near + 1, 0)
        self._missed = (self._missed & (self._near < HELD)) | (np.abs(self._away) >= MISSED)
        self._knows[0] |= self._missed | (self._near >= HELD)
        for name, values in (("error_Pa", error), ("feedback_Pa", seen)):
            self._numbers[name][runs] = values[runs]
        self._numbers["setpoint_Pa"][runs] = minutes.setpoint[k][runs]

    def _limits(self, runs: Bools) -> None:
        with np.errstate(invalid="ignore", divide="ignore"):
            share = np.where(runs, self._at / self._rows, np.nan)
        self._share = np.concatenate([self._share[1:], share[None]])
        known = np.isfinite(self._share).sum(axis=0)
        mean = np.nansum(self._share, axis=0) / np.maximum(known, 1)
        enough = known[0] >= ENOUGH
        most = mean.max(axis=0, initial=0.0)
        there = (most * known[0] >= SATURATED * WINDOW) & enough
        self._saturated = there | (self._saturated & ~(enough & (most < FREE)))
        self._knows[1] |= self._saturated | (known[0] >= WINDOW)
        self._numbers["at_limit_percent_of_time"] = np.where(enough, 100 * most, np.nan)
        limit = np.where(most > 0, mean.argmax(axis=0), np.nan) if len(most) else most
        self._numbers["limit"] = np.where(enough, limit, np.nan)

    def _stand(self) -> dict[str, NDArray[Any]]:
        numbers = {name: values.copy() for name, values in self._numbers.items()}
        return {
            "missed": self._missed.copy(), "saturated": self._saturated.copy(),
            "knows error": self._knows[0].copy(), "knows output": self._knows[1].copy(),
            **numbers,
        }  # fmt: skip
