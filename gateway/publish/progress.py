"""How far the time-series server has certainly got, when its "yes" is not yet on its disk.

A server that answered 2xx may still lose the last seconds when it is killed. A row is therefore
settled only SETTLE_S after the answer, and what looks like a restart sends the rest again (points
are idempotent by time). Arithmetic only: time comes in, in seconds of a steady clock.
"""

from __future__ import annotations

from collections import deque

SETTLE_S = 40.0
"""A server was seen to lose its last 10 s when killed; thirty, and some more."""
HABIT = 5
"""New connections after so many pauses in a row are how this server works, not restarts: it, or
what stands between, closes each after its answer, or before we write again."""


class Progress:
    """`position`: last row answered (ms). `settled`: last row certainly kept."""

    def __init__(self, settled: int) -> None:
        self.settled = settled
        self.position = settled
        self._answered: deque[tuple[float, int]] = deque()
        self._renewals = 0

    def answered(
        self, position: int, now: float, *, renewed: bool = False, rested: bool = True
    ) -> None:
        """The server said yes to every row up to `position`.

        renewed: on a new connection. It may have been killed and be back, so what is not settled
        goes again; but not for ever, when it closes every connection. rested: the first batch after
        a pause; one that goes right behind another tells nothing of how long connections last.
        """
        self.position = position
        self._answered.append((now, position))
        while self._answered and now - self._answered[0][0] >= SETTLE_S:
            self.settled = max(self.settled, self._answered.popleft()[1])
        if renewed:
            self._renewals += 1
            if self._renewals < HABIT:
                self.go_back(self.settled)
        elif rested:
            self._renewals = 0

    def go_back(self, settled: int) -> None:
        """Begin again after `settled`: rows may be missing there, or were written behind it."""
        self.settled = self.position = settled
        self._answered.clear()
