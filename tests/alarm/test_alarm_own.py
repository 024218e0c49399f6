"""Alarms about the gateway itself: they begin and end with their trouble, and explain nothing."""

from __future__ import annotations

from collections.abc import Mapping

import pytest

from gateway.alarm.actions import acknowledge, shelve
from gateway.alarm.definitions import Definitions
from gateway.alarm.memory import restore
from gateway.alarm.own import ARCHIVE, CLOCK, HISTORY, OWN
from gateway.alarm.states import RefusedError
from gateway.alarm.transition import Transition
from gateway.measure.measure import Measure
from tests.alarm.alarm_plant import START, Watch, finding, plant, quiet, steps

HERE = plant(limits={"low": 20, "high": 80})
FULL = "The history is not recorded: database or disk is full"


def see(watch: Watch, second: int, own: Mapping[str, str] | None) -> tuple[Transition, ...]:
    row = Measure(HERE).examine(quiet(HERE, 1, start=START + second))
    said = watch.alarms.examine(row, (), (), own)
    watch.said += said
    watch.now = START + second
    return said


def test_they_begin_with_their_words_and_end() -> None:
    watch = Watch(HERE)
    assert see(watch, 0, {}) == ()
    (began,) = see(watch, 1, {HISTORY: FULL})
    assert (began.alarm, began.message) == (f"{HISTORY}:gateway", FULL)
    assert see(watch, 2, {HISTORY: FULL + " still"}) == (), "said once"
    watch.do(acknowledge(f"{HISTORY}:gateway", "Ada"))
    (over,) = see(watch, 3, {})
    assert (over.event.value, over.after.value) == ("return to normal", "normal")


def test_what_is_over_asks_to_be_acknowledged() -> None:
    watch = Watch(HERE)
    see(watch, 0, {CLOCK: "The clock was set back by 2.0 h"})
    see(watch, 1, {})
    assert watch.shown() == [f"{CLOCK}:gateway"]
    watch.do(acknowledge(f"{CLOCK}:gateway", "Ada"))
    assert watch.shown() == []


def test_replay_knows_nothing_of_them() -> None:
    watch = Watch(HERE)
    see(watch, 0, {HISTORY: FULL})
    assert see(watch, 1, None) == ()
    assert watch.shown() == [f"{HISTORY}:gateway"]


def test_they_come_back_from_the_journal_and_end_when_all_is_well() -> None:
    watch = Watch(HERE)
    see(watch, 0, {ARCHIVE: "no room"})
    again = Watch(HERE, restore(watch.said))
    assert again.shown() == [f"{ARCHIVE}:gateway"]
    assert [t.event.value for t in see(again, 5, {})] == ["return to normal"]


def test_a_transducer_and_the_disk_at_once_are_two_alarms() -> None:
    watch = Watch(HERE)
    see(watch, 0, {})
    row = Measure(HERE).examine(quiet(HERE, 1, start=START + 1))
    wire = finding(HERE, "open-circuit", "p0-0a", at=1)
    said = watch.alarms.examine(row, (wire,), (wire,), {HISTORY: FULL, CLOCK: "set"})
    assert [(a, s) for _, a, _, s in steps(said)] == [
        ("open-circuit:p0-0a", "active unacknowledged"),
        (f"{HISTORY}:gateway", "active unacknowledged"),
        (f"{CLOCK}:gateway", "active unacknowledged"),
    ]
    assert all(not one.consequences for one in watch.alarms.standing())


def test_every_one_is_among_the_definitions_and_touches_no_loop() -> None:
    definitions = Definitions(HERE)
    mine = [d for d in definitions.all() if d.source == "gateway"]
    assert [d.fault for d in mine] == list(OWN)
    for d in mine:
        assert d.next_check.endswith((".", ")."))
        assert definitions.relations.touched_loops(d.kind, d.subject) == ()
    with pytest.raises(KeyError):
        definitions.of(f"{HISTORY}:{HERE.site.id}")


def test_they_can_be_shelved_and_not_taken_out_of_service_by_that() -> None:
    watch = Watch(HERE)
    see(watch, 0, {ARCHIVE: "no room"})
    watch.do(shelve(f"{ARCHIVE}:gateway", "Ada", "new disk on Monday", START + 3600))
    assert watch.state(f"{ARCHIVE}:gateway") == "shelved"
    with pytest.raises(RefusedError):
        watch.do(acknowledge(f"{ARCHIVE}:gateway", "Ada"))
