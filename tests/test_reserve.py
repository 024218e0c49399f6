"""Memory that is not needed any more goes back to the system."""

from __future__ import annotations

import asyncio
import os

import pytest

from gateway import reserve
from tests.drills.soak import own_memory

HOLES, SIZE = 2000, 20_000
"""Pieces of 20 kB: too large for Python's own pools, too small for mappings of their own."""


@pytest.mark.slow
def test_holes_between_what_stays_are_given_back() -> None:
    pieces = [os.urandom(SIZE) for _ in range(HOLES)]
    stays = pieces[::20]
    del pieces
    before = own_memory(os.getpid())
    reserve.give_back()
    gone = before - own_memory(os.getpid())
    assert gone > HOLES * SIZE / 1e6 / 2
    assert len(stays) == HOLES // 20


async def test_again_and_again(monkeypatch: pytest.MonkeyPatch) -> None:
    waits: list[float] = []
    given: list[int] = []

    async def sleep(seconds: float) -> None:
        waits.append(seconds)
        if len(waits) == 4:
            raise asyncio.CancelledError

    monkeypatch.setattr(reserve, "give_back", lambda: given.append(1))
    with pytest.raises(asyncio.CancelledError):
        await reserve.keep_small(sleep)
    assert waits == [reserve.EVERY_S] * 4
    assert len(given) == 3


def test_a_c_library_without_it_is_no_fault(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("ctypes.CDLL", lambda _: object())
    assert not reserve.give_back()
