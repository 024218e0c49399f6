"""Alarms over MQTT: what the retained states and the events say, and when they are due."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from gateway.alarm import actions as do
from gateway.diagnose.findings import Finding
from gateway.publish import payloads
from gateway.publish.states import Sent, State, alarm_states, worth_telling
from gateway.publish.topics import Topics
from gateway.record import outbox
from gateway.record.journal import to_transition
from gateway.views import iso
from tests.alarm.alarm_plant import START, finding, plant
from tests.alarm.running import Gateway, running

HERE = plant(1, 2)
TOPICS = Topics("x", "test")
WIRE, EFFECT = "open-circuit:p0-0a", "setpoint-not-held:l0-0"


def wire(phase: str = "raised", at: float = 2, since: float = 2) -> Finding:
    return finding(
        HERE, "open-circuit", "p0-0a", "raised" if phase == "raised" else "cleared",
        at=at, since=since,
    )  # fmt: skip


def due(there: Gateway, told: Sent, over: tuple[str, ...] = ()) -> dict[str, dict[str, Any]]:
    """Alarms that would be told now, by id."""
    snapshot = there.live.latest
    assert snapshot
    found = {}
    alarms = there.live.alarms
    shown = [*worth_telling(snapshot, ()), *map(alarms.of, over)]
    for state in alarm_states(alarms, snapshot, TOPICS, shown):
        if told.is_due(state, snapshot.time):
            told.add(state, snapshot.time)
            content = json.loads(state.payload())
            assert state.topic == TOPICS.alarm(content["id"])
            found[content["id"]] = content
    return found


async def test_told_at_once_on_a_change_and_never_without(tmp_path: Path) -> None:
    told = Sent(1.0)
    async with running(HERE, tmp_path) as there:
        there.row(1)
        assert due(there, told) == {}
        there.row(2, wire())
        assert set(due(there, told)) == {WIRE}
        there.row(3)
        there.row(9)
        assert due(there, told) == {}, "nothing in it moves: once is enough"
        await there.live.alarms.act(do.acknowledge(WIRE, "Ada"))
        assert due(there, told)[WIRE]["acknowledged"] is True
        there.row(10, finding(HERE, "setpoint-not-held", "l0-0", at=10))
        both = due(there, told)
        assert set(both) == {WIRE, EFFECT}, "the cause tells its consequence"
        assert due(there, Sent(1.0)) == both, "everything after a new connection"


async def test_a_cause_lists_its_consequences_and_they_ask_for_nothing(tmp_path: Path) -> None:
    async with running(HERE, tmp_path) as there:
        there.row(1)
        there.row(2, wire())
        there.row(3, finding(HERE, "setpoint-not-held", "l0-0", at=3))
        found = due(there, Sent(1.0))
        cause, effect = found[WIRE], found[EFFECT]
        assert (cause["site"], cause["time"], cause["onset"]) == (
            "test", iso(START + 3), iso(START + 2),
        )  # fmt: skip
        assert (cause["state"], cause["shown"], cause["loops"]) == (
            "active unacknowledged", True, ["l0-0"],
        )  # fmt: skip
        assert [one["id"] for one in cause["consequences"]] == [EFFECT]
        assert (effect["shown"], effect["active"], effect["cause"]) == (False, True, WIRE)
        assert cause["next_check"] == wire().next_check


async def test_at_rest_is_a_state_too(tmp_path: Path) -> None:
    told = Sent(1.0)
    async with running(HERE, tmp_path) as there:
        there.row(1)
        there.row(2, wire())
        due(there, told)
        await there.live.alarms.act(do.acknowledge(WIRE, "Ada"))
        there.row(20, wire("cleared", at=20))
        there.row(60)
        there.row(61)
        assert there.states() == {}
        rest = due(there, told, (WIRE,))[WIRE]
        assert (rest["state"], rest["shown"], rest["active"], rest["acknowledged"]) == (
            "normal", False, False, True,
        )  # fmt: skip
        assert rest["onset"] is None


async def test_work_is_told_as_function_check(tmp_path: Path) -> None:
    async with running(HERE, tmp_path) as there:
        there.row(1)
        there.row(2, wire())
        out = do.out_of_service("transducer", "p0-0a", "Ben", "calibration", START + 900)
        await there.live.alarms.act(out)
        one = due(there, Sent(1.0))[WIRE]
        assert (one["function_check"], one["shown"], one["active"]) == (True, False, True)
        assert one["out_of_service"]["until"] == iso(START + 900)


async def test_work_on_a_loop_does_not_bring_a_hundred_alarms(tmp_path: Path) -> None:
    """Each of its alarms is out of service; the broker hears of those that it knows."""
    async with running(HERE, tmp_path) as there:
        there.row(1)
        there.row(2, wire())
        out = do.out_of_service("loop", "l0-0", "Ben", "calibration", START + 900)
        changed = await there.live.alarms.act(out)
        assert len(changed) > 50
        await there.live.alarms.act(do.shelve("frozen:p0-1a", "Ada", "known", START + 600))
        snapshot = there.live.latest
        assert snapshot
        names = [one.definition.id for one in worth_telling(snapshot, {"tube-off:p0-0b"})]
        assert sorted(names) == ["frozen:p0-1a", WIRE, "tube-off:p0-0b"]


async def test_many_consequences_are_counted_and_the_first_ones_listed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(payloads, "MOST_CONSEQUENCES", 2)
    here = plant(1, 4)
    async with running(here, tmp_path) as there:
        there.row(1)
        names = [f"p0-{k}{half}" for k in range(3) for half in "ab"]
        there.row(2, *(finding(here, "open-circuit", name, at=2) for name in names))
        group = due(there, Sent(1.0))["many-transducers:c0"]
        assert group["consequence_count"] == 6
        assert len(group["consequences"]) == 2


async def test_events_are_what_the_journal_says_and_nothing_else(tmp_path: Path) -> None:
    async with running(HERE, tmp_path) as there:
        there.row(1)
        there.row(2, wire())
        there.row(3, finding(HERE, "setpoint-not-held", "l0-0", at=3))
        out = do.out_of_service("transducer", "p0-0a", "Ben", "calibration", START + 900)
        await there.live.alarms.act(out)
        taken = there.store.do(outbox.take, 100)
    alarms = [one for one in taken if one.entry.kind == "alarm"]
    told = [
        json.loads(payloads.alarm_event("test", one, to_transition(one.entry))) for one in alarms
    ]
    first, hidden, effect = told[:3]
    assert (first["sequence"], first["previous"], hidden["previous"]) == (2, 0, 2)
    assert len({one["journal"] for one in told}) == 1
    assert (first["event"], first["before"], first["after"], first["actor"]) == (
        "alarm", "normal", "active unacknowledged", "gateway",
    )  # fmt: skip
    assert (first["annunciates"], first["shown"], first["time"]) == (True, True, iso(START + 2))
    assert (hidden["event"], hidden["cause"], hidden["shown"]) == ("suppress", WIRE, False)
    assert (effect["event"], effect["cause"], effect["annunciates"]) == ("alarm", WIRE, False)
    assert [one["alarm"] for one in told if one["annunciates"]] == [WIRE]
    gone = next(one for one in told if one["event"] == "remove from service")
    assert (gone["actor"], gone["reason"], gone["until"], gone["function_check"]) == (
        "Ben", "calibration", iso(START + 900), True,
    )  # fmt: skip


def test_a_refused_state_is_tried_again_at_the_interval_and_told() -> None:
    state = State(TOPICS.alarm(WIRE), 1, lambda: "{}", repeats=False)
    told = Sent(5.0)
    told.add(state, START, "Not authorized")
    assert [told.is_due(state, START + k) for k in (1, 4, 5)] == [False, False, True]
    assert told.trouble == (
        "the broker refuses 1 retained states, such as x/test/alarms/open-circuit/p0-0a: "
        "Not authorized"
    )
    told.add(state, START + 5)
    assert told.trouble == ""
    assert not told.is_due(state, START + 99)
