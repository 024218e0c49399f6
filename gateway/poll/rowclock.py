"""The time that each row gets: strictly rising, whatever is done to the clock of the machine.

Rows follow the clock while it goes on, and at once when it is set forward. When it is set back
they go on from where they were, a little slower than time, until the clock has caught up with
them: nothing is written over, no row waits, and whatever counts seconds hardly notices. Arithmetic
only: both clocks come in.
"""

from __future__ import annotations

from math import inf

from gateway.live import ClockState

STEP_S = 1.0
"""A clock that moves by this much against the steady one was set; less is of no consequence."""
SLOWLY = 0.9
"""Seconds that rows count for each second while the clock catches up: delays of alarms and
periods of loops come out a tenth wrong at most (our own choice)."""
MOST_AHEAD_S = 86_400.0
"""Rows of the store further ahead of the clock at a start come from a clock that was wrong."""
TOLD_S = 600.0
"""How long a step is told at least."""


class RowClock:
    """newest: time of the newest row in the store, None for an empty one.

    wall: seconds since 1970 UTC; steady: seconds of a clock that nobody sets.
    """

    def __init__(self, newest: float | None, wall: float, steady: float) -> None:
        self._wall, self._steady = wall, steady
        self._last = -inf
        self._stepped: tuple[float, float] | None = None
        """How far the clock was set, and when, on the steady clock."""
        self._steps = 0
        self._wrong_s = 0.0
        """How far the store was ahead at the start, where that cannot be caught up with."""
        ahead = -inf if newest is None else newest - wall
        if ahead >= STEP_S:
            self._step(-ahead, steady)
        if newest is not None and ahead <= MOST_AHEAD_S:
            self._last = newest
        else:
            self._wrong_s = max(0.0, ahead)

    def at(self, wall: float, steady: float) -> float:
        """The time of a row taken now: whole milliseconds."""
        passed = steady - self._steady
        moved = wall - self._wall - passed
        if abs(moved) >= STEP_S:
            self._step(moved, steady)
            self._wrong_s = 0.0
        slow = round(max(self._last + SLOWLY * passed, self._last + 0.001), 3)
        self._wall, self._steady = wall, steady
        self._last = max(round(wall, 3), slow)
        return self._last

    @property
    def state(self) -> ClockState:
        """How the clock behaves, as of the latest row."""
        ahead = max(0.0, self._last - self._wall)
        return ClockState(self._steps, ahead, self._words(ahead))

    def _step(self, moved: float, steady: float) -> None:
        self._stepped = moved, steady
        self._steps += 1

    def _words(self, ahead: float) -> str:
        if ahead >= STEP_S:
            rest = "start the gateway anew to go on by it"
            if ahead <= MOST_AHEAD_S:
                rest = f"it will have caught up in {_span(ahead / (1 - SLOWLY))}"
            return f"Rows run {_span(ahead)} ahead of the clock, which was set back; {rest}"
        if self._stepped is None or self._steady - self._stepped[1] >= TOLD_S:
            return ""
        if self._wrong_s:
            return (
                f"The newest row was {_span(self._wrong_s)} ahead of the clock at the start: one "
                "of them is wrong; rows go on by the clock, nothing is written over"
            )
        way = "forward" if self._stepped[0] > 0 else "back"
        return f"The clock was set {way} by {_span(self._stepped[0])}"


def _span(seconds: float) -> str:
    size = abs(seconds)
    for unit, each in (("days", 86_400.0), ("h", 3600.0), ("min", 60.0)):
        if size >= 2 * each:
            return f"{size / each:.1f} {unit}"
    return f"{size:.1f} s"
