"""Retained states: at once after a change that matters, else at the interval."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from gateway.alarm.actions import out_of_service
from gateway.alarm.machine import Alarms
from gateway.diagnose.findings import Status
from gateway.live import LinkState, Snapshot
from gateway.measure.columns import columns
from gateway.publish.states import Sent, states
from gateway.publish.topics import Topics
from tests.publish.made import START, finding, plant, snapshot

HERE = plant()
TOPICS = Topics("x", "test")
STAIR, P1, P2, A = (
    TOPICS.loop("stair"),
    TOPICS.transducer("p1"),
    TOPICS.transducer("p2"),
    TOPICS.controller("a"),
)


def due(sent: Sent, now: Snapshot) -> list[str]:
    picked = [s for s in states(HERE, now, TOPICS) if sent.is_due(s, now.time)]
    for state in picked:
        sent.add(state, now.time)
    return [state.topic for state in picked]


def test_everything_after_a_new_connection_then_at_the_interval() -> None:
    sent = Sent(5.0)
    assert due(sent, snapshot(HERE, 0)) == [STAIR, P1, P2, A]
    assert [due(sent, snapshot(HERE, k, percent=40.0 + k)) for k in range(1, 5)] == [[]] * 4
    assert due(sent, snapshot(HERE, 5)) == [STAIR, P1, P2, A]


@pytest.mark.parametrize(
    ("change", "topics"),
    [
        ({"findings": (finding("p1"),)}, [STAIR, P1]),
        ({"percent": -20.0}, [STAIR, P1, P2]),
        ({"links": {"a": LinkState("a", reason="no answer")}}, [A]),
    ],
)
def test_a_change_that_matters_goes_at_once(change: dict[str, object], topics: list[str]) -> None:
    sent = Sent(3600.0)
    due(sent, snapshot(HERE, 0))
    assert due(sent, snapshot(HERE, 1, **change)) == topics  # type: ignore[arg-type] # as given
    assert due(sent, snapshot(HERE, 2, **change)) == []  # type: ignore[arg-type] # as given
    assert due(sent, snapshot(HERE, 3)) == topics, "and back"


def test_work_on_a_transducer_goes_at_once() -> None:
    sent = Sent(3600.0)
    due(sent, snapshot(HERE, 0))
    machine = Alarms(HERE, columns(HERE))
    machine.act(out_of_service("transducer", "p2", "Ada", "loop check", START + 60), START)
    work = replace(snapshot(HERE, 1), alarms=machine.standing())
    assert due(sent, work) == [P2]
    assert due(sent, snapshot(HERE, 2)) == [P2], "and back"


def test_graver_status_of_the_same_finding_goes_at_once() -> None:
    sent = Sent(3600.0)
    mild = replace(finding("p1"), status=Status.MAINTENANCE_REQUIRED)
    due(sent, snapshot(HERE, 0, findings=(mild,)))
    assert due(sent, snapshot(HERE, 1, findings=(finding("p1"),))) == [STAIR, P1]


def test_fan_stopping_goes_at_once() -> None:
    sent = Sent(3600.0)
    now = snapshot(HERE, 0)
    due(sent, now)
    stopped = replace(now.readings, running=np.array([[np.nan]]))
    assert due(sent, replace(now, readings=stopped)) == [STAIR]


def test_clock_stepping_back_does_not_silence() -> None:
    sent = Sent(5.0)
    due(sent, snapshot(HERE, 100))
    assert due(sent, snapshot(HERE, 1)) == [STAIR, P1, P2, A]
