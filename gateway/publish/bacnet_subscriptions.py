"""Who wants to be told of changes, and when there is something to tell. Arithmetic only.

The library's own subscriptions tell nothing when only the flags change; and what cannot be
trusted any more matters more than the last digit.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import inf
from typing import Any

from .bacnet_board import Board

MOST = 5000
"""Subscriptions that are kept: nobody on the network may fill the memory."""
LOST = 3
"""Notifications in a row without an answer, each repeated by the protocol, end a subscription."""

Told = tuple[float, tuple[int, int, int, int], int]
"""Value, flags, reliability."""


@dataclass
class Subscription:
    """One subscriber's interest in one input. until: by a steady clock, inf for ever."""

    address: Any
    """Of the library."""
    process: int
    index: int
    confirmed: bool
    until: float
    told: Told | None = None
    busy: bool = False
    """A notification is on its way and not confirmed yet."""
    lost: int = 0

    @property
    def key(self) -> tuple[Any, int, int]:
        """Address, process, input."""
        return self.address, self.process, self.index

    def left_s(self, now: float) -> int:
        """Whole seconds left, at least 1; 0 for ever."""
        return 0 if self.until == inf else max(1, round(self.until - now))


class Subscriptions:
    """All of them; one for each (address, process, input)."""

    def __init__(self) -> None:
        self._all: dict[tuple[Any, int, int], Subscription] = {}

    def __len__(self) -> int:
        return len(self._all)

    def __contains__(self, subscription: Subscription) -> bool:
        return self._all.get(subscription.key) is subscription

    def __iter__(self) -> Iterator[Subscription]:
        return iter(list(self._all.values()))

    def add(
        self, address: Any, process: int, index: int, *, confirmed: bool, until: float
    ) -> Subscription | None:
        """A new or renewed subscription, due at once; None when there is no room."""
        key = (address, process, index)
        if key not in self._all and len(self._all) >= MOST:
            return None
        one = self._all.setdefault(key, Subscription(*key, confirmed, until))
        one.confirmed, one.until, one.told, one.lost = confirmed, until, None, 0
        return one

    def cancel(self, address: Any, process: int, index: int) -> None:
        """End one, if it is there."""
        self._all.pop((address, process, index), None)

    def drop(self, subscription: Subscription) -> None:
        """End this very one, if it is still there."""
        if subscription in self:
            del self._all[subscription.key]

    def due(self, board: Board, now: float) -> Iterator[Subscription]:
        """Those with something to tell; ends those whose time is over."""
        for one in self:
            if one.until <= now:
                self.drop(one)
            elif one in self and not one.busy and is_due(board, one):
                yield one


def shown(board: Board, index: int) -> Told:
    """What a subscriber of an input would be told now."""
    return board.value(index), board.flags(index), board.reliability(index)


def is_due(board: Board, one: Subscription) -> bool:
    """Whether it differs enough from what was told."""
    now = shown(board, one.index)
    if one.told is None or now[1:] != one.told[1:]:
        return True
    return abs(now[0] - one.told[0]) >= board.inputs[one.index].cov_increment
