"""How long the time-series server may take for an answer, and how much it is sent at a time.

Arithmetic only: seconds of a steady clock come in. A server on a small machine, or one that is
catching up, may need longer than usual for a batch: whoever gives up each time and sends the same
again never gets on, and gives it ever more to do.
"""

from __future__ import annotations

FIRST_S = 10.0
LONGEST_S = 60.0
ROOM = 4.0
"""An answer may take so many times what the last one took."""
LEAST = 4.0**-8
"""Share of a batch: one row of any, and not so little that an outage of days is felt long after."""


class Pace:
    """`seconds`: for an answer, from FIRST_S to LONGEST_S. `rows`: in a batch, from 1 to `most`."""

    def __init__(self) -> None:
        self.seconds = FIRST_S
        self._share = 1.0

    def rows(self, most: int) -> int:
        """How many of at most so many rows go together."""
        return max(1, int(most * self._share))

    def answered(self, took: float) -> None:
        """It said yes after so many seconds."""
        self.seconds = min(LONGEST_S, max(FIRST_S, ROOM * took))
        if 2 * took < self.seconds:  # twice as much takes twice as long at the most
            self._share = min(1.0, 2 * self._share)

    def late(self) -> None:
        """No answer within `seconds`."""
        self.seconds = min(LONGEST_S, 2 * self.seconds)
        self._share = max(LEAST, self._share / 4)
