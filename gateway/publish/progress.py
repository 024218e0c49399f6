"""How far the time-series server has certainly got, when its "yes" is not yet on its disk.

A server that answered 2xx may still lose the last seconds when it is killed. A row is therefore
settled only SETTLE_S after the answer, or when it was answered twice. Whatever looks like a
restart sends the rest again (points are idempotent by time). Arithmetic only: time comes in, in
seconds of a steady clock.
"""

from __future__ import annotations

from collections import deque

SETTLE_S = 40.0
"""A server was seen to lose its last 10 s when killed; thirty, and some more."""


class Progress:
    """`position`: last row answered (ms). `settled`: last row certainly kept."""

    def __init__(self, settled: int) -> None:
        self.settled = settled
        self.position = settled
        self._answered: deque[tuple[float, int]] = deque()
        self._again = settled

    def answered(self, position: int, now: float) -> None:
        """The server said yes to every row up to `position`."""
        self.position = position
        if position <= self._again:
            self.settled = max(self.settled, position)
        else:
            self._answered.append((now, position))
        while self._answered and now - self._answered[0][0] >= SETTLE_S:
            self.settled = max(self.settled, self._answered.popleft()[1])

    def doubt(self) -> None:
        """The server may have been restarted: what is not settled goes again, once.

        Once only, or a server that closes every connection would be sent the same rows for ever.
        """
        self._again = self.position
        self.position = self.settled
        self._answered.clear()

    def go_back(self, settled: int) -> None:
        """Begin again after `settled`: rows were written behind it."""
        self.settled = self.position = self._again = settled
        self._answered.clear()
