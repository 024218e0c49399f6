"""Guessing passwords is made slow: by name, and by address, each failure for longer.

An attempt counts as failed when it begins, so that many at once are no way around it. Where a
person has signed in before from an address, attempts with their name there are counted apart:
somebody else who tries their name, or mistypes at the same address, keeps them from nothing.
"""

from __future__ import annotations

import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass

FREE, FREE_HERE = 5, 20
"""Failures before the first wait: of a name, and from an address, which a whole building may share
behind a proxy (our own choice; many give 3 to 10 for a name)."""
MOST_S = 900.0
"""Longest wait: each doubles the one before, from a second on (our own choice; the OWASP
Authentication Cheat Sheet asks for a lockout that grows, and warns of one that others can use to
keep a person out)."""
FORGOTTEN_S = 4 * 3600.0
"""After so long without an attempt it begins anew."""
KEPT = 4000
"""Names and addresses remembered; the one unused for longest goes first."""

ADDRESS = "address"
Key = tuple[str, ...]


@dataclass
class _Count:
    failed: int = 0
    last: float = 0.0


class Patience:
    """Counts failures by key. clock: seconds."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._counts: OrderedDict[Key, _Count] = OrderedDict()
        self._known: OrderedDict[Key, None] = OrderedDict()

    def attempt(self, name: str, address: str) -> float:
        """Seconds to wait; 0: go on, and it counts as failed until `right` says otherwise."""
        keys = self._keys(name, address)
        wait = max(map(self._wait, keys))
        if wait <= 0:
            for key in keys:
                count = self._count(key)
                count.failed, count.last = count.failed + 1, self._clock()
        return wait

    def right(self, name: str, address: str) -> None:
        """It was the right password: what was counted for this person is forgotten.

        What the address had failed with before stays, less this attempt: whoever has one password
        does not get to guess others at ease.
        """
        for key in self._keys(name, address):
            count = self._count(key)
            count.failed = max(0, count.failed - 1) if key[0] == ADDRESS else 0
        self._known[name, address] = None
        self._known.move_to_end((name, address))
        while len(self._known) > KEPT:
            self._known.popitem(last=False)

    def _keys(self, name: str, address: str) -> tuple[Key, ...]:
        if (name, address) in self._known:
            return (("own", name, address),)
        return ("name", name), (ADDRESS, address)

    def _wait(self, key: Key) -> float:
        count, free = self._count(key), FREE_HERE if key[0] == ADDRESS else FREE
        if count.failed < free:
            return 0.0
        wait = min(MOST_S, 2.0 ** min(count.failed - free, 30))
        return max(0.0, count.last + wait - self._clock())

    def _count(self, key: Key) -> _Count:
        count = self._counts.setdefault(key, _Count())
        self._counts.move_to_end(key)
        if self._clock() - count.last > FORGOTTEN_S:
            count.failed = 0
        while len(self._counts) > KEPT:
            self._counts.popitem(last=False)
        return count
