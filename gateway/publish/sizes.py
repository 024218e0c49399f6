"""How large a message the broker takes: told by it, or learnt from the connections that it ends.

A broker with a limit may end the connection over a larger message instead of refusing it, again
and again. Three things tell such a message from a bad network: it is larger than all that the
broker has ever confirmed, it is no small one, and it was on its way each time.
"""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager

BREAKS = 5
"""Connections in a row that ended over something larger than the broker has ever confirmed."""
SOON_S = 30.0
"""A connection that lasted longer did not end over what it began with."""
FORGOTTEN_S = 3600.0
"""After this a learnt limit is tried again: somebody may have raised it."""
SMALL = 1000
"""Bytes that every broker takes. One that is silent from the first greeting on, or ends connections
because it does not know us, would else be taken for one that wants nothing larger."""
AROUND = 12
"""Bytes of a packet beside topic and payload, about."""


class Sizes:
    """Kept over connections. steady: seconds of a clock that nobody sets."""

    def __init__(self, steady: Callable[[], float] = time.monotonic) -> None:
        self._steady = steady
        self._told: int | None = None
        self._learnt: tuple[int, float] | None = None
        """The smallest size that is not sent, and when it was learnt."""
        self._largest = 0
        self._flying: Counter[int] = Counter()
        self._since, self._breaks = 0.0, 0

    def connected(self, most: int | None) -> None:
        """A connection begins; most: bytes of a packet that the broker takes, where it says so."""
        self._told, self._since = most, self._steady()
        self._flying.clear()

    def refusal(self, size: int) -> str:
        """Why a message with so many bytes in topic and payload is not to be sent, or nothing."""
        if self._told is not None and size + AROUND > self._told:
            return f"{size} bytes: the broker takes packets of at most {self._told}"
        if self._learnt is not None and self._steady() - self._learnt[1] >= FORGOTTEN_S:
            self._learnt = None
        if self._learnt is not None and size >= self._learnt[0]:
            return f"{size} bytes: the broker ends the connection over messages of that size"
        return ""

    @contextmanager
    def sending(self, size: int) -> Iterator[None]:
        """Around a message; one that ends with an exception was on its way at the end.

        `MessageRefusedError` is an answer like any other: catch it inside.
        """
        self._flying[size] += 1
        yield
        self._flying[size] -= 1
        if size > self._largest:
            self._largest, self._breaks = size, 0

    def broke(self) -> None:
        """The connection was ended, not by us."""
        taken = max(self._largest, SMALL)
        larger = [size for size, count in self._flying.items() if count and size > taken]
        self._flying.clear()
        if not larger or self._steady() - self._since > SOON_S:
            self._breaks = 0
            return
        self._breaks += 1
        if self._breaks >= BREAKS:
            self._learnt, self._breaks = (max(larger), self._steady()), 0
