"""How far the server has certainly got."""

from __future__ import annotations

from itertools import islice

from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.publish.backoff import delays
from gateway.publish.progress import SETTLE_S, Progress

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


def test_doubt_sends_again_what_is_not_settled_once() -> None:
    progress = Progress(100)
    for now, position in ((0.0, 200), (50.0, 300), (60.0, 400)):
        progress.answered(position, now)
    progress.doubt()
    assert progress.position == 200
    progress.answered(400, 61.0)
    assert progress.settled == 400, "answered twice"


def test_a_server_that_closes_every_connection_still_gets_on() -> None:
    progress, sent = Progress(0), 0
    for now in range(50):
        progress.answered(progress.position + 10, float(now))
        sent += 1
        progress.doubt()
    assert progress.settled >= 10 * sent / 2 - 10


@given(st.lists(st.tuples(st.floats(0.1, 30), st.booleans()), min_size=1, max_size=40))
@settings(max_examples=50)
def test_a_restart_that_shows_costs_nothing(steps: list[tuple[float, bool]]) -> None:
    """A model server that keeps what is older than LOSES_S when it is killed.

    Kills are at least SETTLE_S apart; each shows as a new connection at the next batch.
    """
    progress = Progress(0)
    kept: set[int] = set()
    fresh: list[tuple[float, int]] = []
    now, killed, newest = 0.0, -1e9, 0
    for step, kill in steps:
        now += step
        newest += 1
        fresh = [(when, row) for when, row in fresh if row not in kept]
        kept |= {row for when, row in fresh if now - when > LOSES_S}
        restarted = kill and now - killed > SETTLE_S
        if restarted:
            killed, fresh = now, []
        for turn in range(2):
            batch = range(progress.position + 1, newest + 1)
            fresh += [(now, row) for row in batch]
            if batch:
                progress.answered(newest, now)
            if restarted and turn == 0:
                progress.doubt()
    reached = kept | {row for _, row in fresh}
    assert reached == set(range(1, newest + 1))
    assert set(range(1, progress.settled + 1)) <= reached


@given(st.integers(1, 40))
def test_waits_grow_to_a_minute_and_never_agree(count: int) -> None:
    waits = list(islice(delays(), count))
    assert all(1.0 <= wait <= 60.0 for wait in waits)
    assert all(wait >= 30.0 for wait in waits[7:])
    assert len(set(waits[7:])) == len(waits[7:])
