"""A batch of which some lines are refused: the rest arrives, the refused are named."""

from __future__ import annotations

from collections.abc import Coroutine, Sequence
from typing import Any, TypeVar

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.publish import influx
from gateway.publish.influx import POISON_A_BATCH, deliver
from gateway.publish.server import Refused, Unreachable

Answer = TypeVar("Answer")


class Picky:
    """Refuses requests with a line that is bad."""

    def __init__(self, bad: set[str]) -> None:
        self.bad = bad
        self.taken: list[str] = []
        self.requests = 0
        self.longest = 0

    async def write(self, lines: Sequence[str]) -> None:
        self.requests += 1
        self.longest = max(self.longest, len(lines))
        if self.bad.intersection(lines):
            raise Refused("HTTP status 400 Bad Request")
        self.taken += lines


def finish(work: Coroutine[Any, Any, Answer]) -> Answer:
    """The result of a coroutine that waits for nothing."""
    try:
        work.send(None)
    except StopIteration as end:
        result: Answer = end.value
        return result
    raise AssertionError("it waits")


@given(st.integers(1, 400), st.data())
def test_all_but_the_refused_arrive_in_order(count: int, data: st.DataObject) -> None:
    batch = [f"line {k}" for k in range(count)]
    bad = data.draw(st.sets(st.sampled_from(batch), max_size=min(count, POISON_A_BATCH)))
    there = Picky(bad)
    refused = finish(deliver(there.write, batch))
    assert there.taken == [line for line in batch if line not in bad]
    assert [line for line, _ in refused] == [line for line in batch if line in bad]
    assert there.requests <= 1 + 2 * len(bad) * 9, "halved, not tried one by one"


async def test_requests_have_a_limit(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(influx, "BATCH_LINES", 10)
    there = Picky(set())
    await deliver(there.write, [str(k) for k in range(25)])
    assert (there.requests, there.longest, len(there.taken)) == (3, 10, 25)


async def test_a_server_that_refuses_everything_is_not_believed() -> None:
    batch = [str(k) for k in range(1000)]
    there = Picky(set(batch))
    with pytest.raises(Unreachable, match="refuses whatever"):
        await deliver(there.write, batch)
    assert there.requests < 100


async def test_a_server_that_goes_away_is_not_a_refusal() -> None:
    async def gone(_: Sequence[str]) -> None:
        raise Unreachable("HTTP status 503 Service Unavailable")

    with pytest.raises(Unreachable, match="503"):
        await deliver(gone, ["a", "b"])
