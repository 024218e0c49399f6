"""A slow time-series server is given longer, and less at a time."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from gateway.publish.pace import FIRST_S, LONGEST_S, Pace

MOST = 500


def test_usual_answers_change_nothing() -> None:
    pace = Pace()
    for took in (0.01, 0.5, 2.4):
        pace.answered(took)
        assert (pace.seconds, pace.rows(MOST)) == (FIRST_S, MOST)


def test_late_then_quick_again() -> None:
    pace = Pace()
    pace.late()
    assert (pace.seconds, pace.rows(MOST)) == (20.0, 125)
    for _ in range(9):
        pace.late()
    assert (pace.seconds, pace.rows(MOST)) == (LONGEST_S, 1)
    pace.answered(40.0)
    assert (pace.seconds, pace.rows(MOST)) == (60.0, 1)
    for _ in range(30):
        pace.answered(0.1)
    assert (pace.seconds, pace.rows(MOST)) == (FIRST_S, MOST)


def test_days_without_an_answer_are_soon_forgotten() -> None:
    pace = Pace()
    for _ in range(2000):
        pace.late()
    assert pace.rows(5000) == 1
    for _ in range(16):
        pace.answered(0.1)
    assert (pace.seconds, pace.rows(5000)) == (FIRST_S, 5000)


@given(st.floats(0, 25), st.floats(0, 2), st.integers(1, 5000))
def test_every_server_that_answers_at_all_gets_on(fixed: float, a_row: float, most: int) -> None:
    """An answer takes a while, and longer the more it is about: it is never given too much."""
    pace, taken, late = Pace(), [], 0
    for _ in range(100):
        rows = pace.rows(most)
        took = fixed + a_row * rows
        if took < pace.seconds:
            pace.answered(took)
            taken.append(rows)
        else:
            pace.late()
            late += 1
    assert late <= 9, "at the beginning only"
    best = min(most, (LONGEST_S - fixed) / a_row) if a_row > 0 else most
    assert taken[-1] >= min(most, max(1, best // 10)), "and much, for how slow it is"
