"""A batch of which some lines are refused: the rest arrives, the refused are named."""

from __future__ import annotations

from collections.abc import Coroutine, Sequence
from typing import Any, TypeVar

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.publish import influx
from gateway.publish.influx import PROBES, deliver
from gateway.publish.server import Refused, Unreachable

Answer = TypeVar("Answer")


class Picky:
    """Refuses requests with a line that is bad."""

    def __init__(self, bad: set[str]) -> None:
        self.bad = bad
        self.taken: list[str] = []
        self.probes: set[str] = set()
        self.requests = 0
        self.longest = 0

    async def write(self, lines: Sequence[str]) -> None:
        self.requests += 1
        self.longest = max(self.longest, len(lines))
        if self.bad.intersection(lines):
            raise Refused("HTTP status 400 Bad Request")
        self.probes |= set(lines) & set(self.taken)
        self.taken += lines


def finish(work: Coroutine[Any, Any, Answer]) -> Answer:
    """The result of a coroutine that waits for nothing."""
    try:
        work.send(None)
    except StopIteration as end:
        result: Answer = end.value
        return result
    raise AssertionError("it waits")


@pytest.mark.slow
@given(st.integers(1, 400), st.data())
def test_all_but_the_refused_arrive_in_order(count: int, data: st.DataObject) -> None:
    batch = [f"line {k}" for k in range(count)]
    good = data.draw(st.sampled_from(batch))
    bad = data.draw(st.sets(st.sampled_from(batch), max_size=20)) - {good}
    there = Picky(bad)
    refused = finish(deliver(there.write, batch))
    assert [line for line in there.taken if line not in there.probes] == [
        line for line in batch if line not in bad and line not in there.probes
    ]
    assert {line for line in batch if line not in bad} == set(there.taken)
    assert [line for line, _ in refused] == [line for line in batch if line in bad]
    assert there.requests <= 1 + PROBES + 2 * len(bad) * 9, "halved, not tried one by one"


@given(st.integers(2, 300), st.integers(1, 299), st.booleans())
def test_a_long_run_of_bad_lines_is_not_taken_for_a_bad_server(
    count: int,
    bad: int,
    at_the_end: bool,  # noqa: FBT001 - drawn
) -> None:
    """Every line of a transducer may be poison; the others must get through all the same."""
    batch = [f"line {k}" for k in range(count)]
    bad = min(bad, count - max(1, count // PROBES) - 1)
    spoilt = set(batch[count - bad :] if at_the_end else batch[:bad]) if bad > 0 else set()
    there = Picky(spoilt)
    refused = finish(deliver(there.write, batch))
    assert set(there.taken) == set(batch) - spoilt
    assert {line for line, _ in refused} == spoilt


async def test_a_few_lines_that_are_all_refused_are_not_the_lines_fault() -> None:
    """A small site sends a few lines at a time: none of them is given up for a bad server."""
    there = Picky({"a", "b", "c"})
    with pytest.raises(Unreachable, match="refuses whatever"):
        await deliver(there.write, ["a", "b", "c"])
    assert await deliver(there.write, []) == []


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
