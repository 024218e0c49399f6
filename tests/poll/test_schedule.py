"""Ticks stand on a grid, missed ones are counted, and nobody polls at the same instant."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.poll.schedule import LONGEST_BACKOFF_S, backoff, due, following, stagger

INTERVALS = st.floats(0.1, 3600.0)
CLOCKS = st.floats(0.0, 1e9)


@pytest.mark.slow
def test_no_drift_over_a_million_ticks() -> None:
    # Each poll takes 0.03 s: sleeping an interval after each would end 30,000 s late.
    start, interval = 12_345.678, 0.1
    number, missed = 0, 0
    for _ in range(1_000_000):
        now = start + number * interval + 0.03
        number, more = following(start, interval, number, now)
        missed += more
    assert (number, missed) == (1_000_000, 0)
    assert due(start, interval, number) == pytest.approx(start + 100_000, abs=1e-9)


@given(start=CLOCKS, interval=INTERVALS, number=st.integers(0, 10**6), late=st.floats(-1.0, 1e5))
def test_the_next_tick_is_the_first_one_ahead(
    start: float, interval: float, number: int, late: float
) -> None:
    now = due(start, interval, number) + late
    upcoming, missed = following(start, interval, number, now)
    assert upcoming > number
    assert missed == upcoming - number - 1
    assert due(start, interval, upcoming) > now
    if missed:
        assert due(start, interval, upcoming - 1) <= now + 1e-6


@pytest.mark.parametrize(
    ("now", "expected"),
    [(100.0, (1, 0)), (100.9, (1, 0)), (101.0, (2, 1)), (101.2, (2, 1)), (105.5, (6, 5))],
)
def test_missed_ticks_are_counted_not_made_up_for(now: float, expected: tuple[int, int]) -> None:
    assert following(100.0, 1.0, 0, now) == expected


def test_stagger_spreads_equal_intervals_evenly() -> None:
    assert stagger([1.0, 1.0, 5.0, 1.0, 1.0]) == [0.0, 0.25, 0.0, 0.5, 0.75]
    assert stagger([]) == []


@given(intervals=st.lists(st.sampled_from([0.1, 1.0, 2.0, 60.0, 3600.0]), max_size=60))
def test_stagger_keeps_first_polls_early_and_apart(intervals: list[float]) -> None:
    offsets = stagger(intervals)
    assert all(0 <= o < min(i, 10.0) for o, i in zip(offsets, intervals, strict=True))
    pairs = list(zip(intervals, offsets, strict=True))
    assert len(set(pairs)) == len(pairs)


@given(failures=st.integers(1, 10_000), luck=st.floats(0.0, 1.0))
def test_backoff_grows_to_its_cap(failures: int, luck: float) -> None:
    wait = backoff(failures, luck)
    assert 0.25 <= wait <= LONGEST_BACKOFF_S
    assert wait <= backoff(failures + 1, luck)
    assert backoff(failures, 0.0) <= 2 * backoff(failures, 1.0)


def test_backoff_starts_at_half_a_second() -> None:
    assert [backoff(n, 0.0) for n in (1, 2, 3, 6, 7, 8)] == [0.5, 1.0, 2.0, 16.0, 30.0, 30.0]
