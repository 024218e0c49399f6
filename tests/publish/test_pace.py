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
    pace.answered(12.0)
    assert (pace.seconds, pace.rows(MOST)) == (48.0, 1)
    for _ in range(20):
        pace.answered(0.1)
    assert (pace.seconds, pace.rows(MOST)) == (FIRST_S, MOST)


@given(st.floats(0, 14), st.floats(0, 2), st.integers(1, 5000))
def test_every_server_that_answers_at_all_gets_on(fixed: float, a_row: float, most: int) -> None:
    """An answer takes a while, and longer the more it is about: it comes again and again."""
    pace, answers, lates = Pace(), 0, 0
    for _ in range(300):
        took = fixed + a_row * pace.rows(most)
        if took < pace.seconds:
            pace.answered(took)
            answers += 1
        else:
            pace.late()
            lates += 1
    assert FIRST_S <= pace.seconds <= LONGEST_S
    assert answers > 2 * lates
