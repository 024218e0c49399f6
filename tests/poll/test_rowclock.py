"""Times of rows under clocks that are set forward and back."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.poll.rowclock import MOST_AHEAD_S, SLOWLY, STEP_S, TOLD_S, RowClock

START = 1_780_000_200.0


def follow(clock: RowClock, wall: float, steady: float, rows: int) -> list[float]:
    """A row a second, the wall clock going on as it should."""
    return [clock.at(wall + k, steady + k) for k in range(1, rows + 1)]


def test_rows_have_the_time_of_the_clock() -> None:
    clock = RowClock(None, START, 50.0)
    assert follow(clock, START, 50.0, 3) == [START + 1, START + 2, START + 3]
    assert clock.at(START + 4.25678, 54.25678) == START + 4.257, "whole milliseconds"
    assert (clock.state.steps, clock.state.reason) == (0, "")


def test_a_clock_set_forward_is_followed_at_once_and_told() -> None:
    clock = RowClock(START - 1, START, 0.0)
    follow(clock, START, 0.0, 10)
    assert clock.at(START + 11 + 3 * 3600, 11.0) == START + 11 + 3 * 3600
    assert clock.state.reason == "The clock was set forward by 3.0 h"
    assert (clock.state.steps, clock.state.ahead_s) == (1, 0.0)
    follow(clock, START + 11 + 3 * 3600, 11.0, int(TOLD_S))
    assert clock.state.reason == ""


def test_rows_wait_for_no_clock_that_was_set_back() -> None:
    """An hour back: rows go on, a tenth slower, and meet the clock after ten hours."""
    clock = RowClock(None, START, 0.0)
    last = follow(clock, START, 0.0, 10)[-1]
    rows = follow(clock, START + 10 - 3600, 10.0, 36_010)
    assert rows[0] == pytest.approx(last + SLOWLY, abs=0.001)
    assert clock.at(START + 36_020 + 1 - 3600, 36_021.0) == START + 36_021 - 3600
    assert clock.state.ahead_s == 0.0
    assert clock.state.steps == 1
    steps = [after - before for before, after in pairwise(rows)]
    assert min(steps) >= SLOWLY - 0.0011
    assert max(steps) <= 1.0011


def test_how_far_rows_run_ahead_is_told_until_the_clock_has_caught_up() -> None:
    clock = RowClock(None, START, 0.0)
    follow(clock, START, 0.0, 10)
    clock.at(START + 11 - 10_800, 11.0)
    assert clock.state.reason == (
        "Rows run 3.0 h ahead of the clock, which was set back; it will have caught up in 30.0 h"
    )
    clock.at(START + 12 - 40 * 86_400, 12.0)
    assert clock.state.reason.endswith("which was set back; start the gateway anew to go on by it")
    assert clock.state.steps == 2


def test_a_start_goes_on_after_rows_that_are_a_little_ahead() -> None:
    clock = RowClock(START + 3600, START, 0.0)
    assert clock.state.steps == 1
    first, second = follow(clock, START, 0.0, 2)
    assert START + 3600 < first < second < START + 3602
    assert "1.0 h ahead" in clock.state.reason or "60.0 min ahead" in clock.state.reason


def test_a_start_does_not_follow_rows_of_a_clock_that_was_wrong_by_days() -> None:
    clock = RowClock(START + 2 * MOST_AHEAD_S, START, 0.0)
    assert follow(clock, START, 0.0, 2) == [START + 1, START + 2]
    assert clock.state.reason.startswith("The newest row was 2.0 days ahead of the clock at the")
    follow(clock, START + 2, 2.0, int(TOLD_S))
    assert (clock.state.reason, clock.state.steps) == ("", 1)


@given(
    st.lists(
        st.tuples(st.floats(0.05, 20), st.one_of(st.just(0.0), st.floats(-1e6, 1e6))), min_size=1
    ),
    st.one_of(st.none(), st.floats(-1e6, 1e6)),
)
def test_times_rise_whatever_is_done_to_the_clock(
    steps: list[tuple[float, float]], newest: float | None
) -> None:
    """(seconds that pass, by how much the clock is set meanwhile)."""
    wall, steady = START, 7.0
    clock = RowClock(None if newest is None else START + newest, wall, steady)
    last, told = 0.0, clock.state.steps
    if newest is not None and newest <= MOST_AHEAD_S:
        last = START + newest
    for passed, moved in steps:
        wall, steady = wall + passed + moved, steady + passed
        now = clock.at(wall, steady)
        assert now > last
        assert now == round(now, 3)
        assert now >= round(wall, 3), "never behind the clock"
        assert clock.state.ahead_s == pytest.approx(now - wall, abs=0.001)
        told += abs(moved) >= STEP_S + 1e-3
        assert clock.state.steps >= told
        last = now
