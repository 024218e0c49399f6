"""How far the server has certainly got."""

from __future__ import annotations

from itertools import islice

from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.publish.backoff import delays
from gateway.publish.progress import HABIT, SETTLE_S, Progress

LOSES_S = 10.0
"""What a killed server was seen to lose (measured with the one used in the tests)."""


def test_a_yes_settles_later() -> None:
    progress = Progress(100)
    progress.answered(200, 0.0)
    progress.answered(300, 20.0)
    assert (progress.position, progress.settled) == (300, 100)
    progress.answered(400, SETTLE_S)
    assert progress.settled == 200
    assert SETTLE_S >= 30


def test_new_connection_sends_again_what_is_not_settled() -> None:
    progress = Progress(100)
    for now, position in ((0.0, 200), (50.0, 300), (60.0, 400)):
        progress.answered(position, now)
    progress.answered(500, 61.0, renewed=True)
    assert (progress.position, progress.settled) == (200, 200)
    progress.answered(500, 62.0)
    assert progress.position == 500
    progress.answered(600, 61.0 + SETTLE_S)
    assert progress.settled == 200, "counted from the second answer"
    progress.answered(700, 62.0 + SETTLE_S)
    assert progress.settled == 500


def test_a_server_that_closes_every_connection_still_gets_on() -> None:
    progress = Progress(0)
    for now in range(100):
        progress.answered(progress.position + 10, float(now), renewed=True)
    assert progress.position > 900
    assert progress.settled > 500


def test_a_server_that_closes_idle_connections_still_gets_on() -> None:
    """A batch goes over a new connection, and what is sent again right behind it over the same."""
    progress, newest, sent = Progress(0), 0, 0
    for now in range(0, 600, 5):
        newest += 5
        for first in (True, False):
            if progress.position < newest:
                sent += newest - progress.position
                progress.answered(newest, float(now), renewed=first, rested=first)
    assert progress.settled > 500
    assert sent < 2 * newest, "it was all of the last ten minutes, again and again"


@given(st.lists(st.tuples(st.floats(0.1, 30), st.booleans()), min_size=1, max_size=40))
@settings(max_examples=50)
def test_a_restart_that_shows_costs_nothing(steps: list[tuple[float, bool]]) -> None:
    """A model server that keeps what is older than LOSES_S when it is killed.

    Each kill shows as a new connection at the next batch; not more than HABIT - 1 in a row.
    """
    progress = Progress(0)
    kept: set[int] = set()
    fresh: list[tuple[float, int]] = []
    now, newest, in_a_row = 0.0, 0, 0
    for step, kill in steps:
        now += step
        newest += 1
        kept |= {row for when, row in fresh if now - when > LOSES_S}
        restarted = kill and in_a_row < HABIT - 1
        in_a_row = in_a_row + 1 if restarted else 0
        fresh = [] if restarted else [(when, row) for when, row in fresh if row not in kept]
        for renewed, rested in ((restarted, True), (False, False)):
            if progress.position < newest:
                fresh += [(now, row) for row in range(progress.position + 1, newest + 1)]
                progress.answered(newest, now, renewed=renewed, rested=rested)
    reached = kept | {row for _, row in fresh}
    assert reached == set(range(1, newest + 1))
    assert progress.settled == 0 or set(range(1, progress.settled + 1)) <= kept


@given(st.integers(1, 40))
def test_waits_grow_to_a_minute_and_never_agree(count: int) -> None:
    waits = list(islice(delays(), count))
    assert all(1.0 <= wait <= 60.0 for wait in waits)
    assert all(wait >= 30.0 for wait in waits[7:])
    assert len(set(waits[7:])) == len(waits[7:])
