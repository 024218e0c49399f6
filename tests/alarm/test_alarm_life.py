"""The life of an alarm as people live it: seen, shelved, worked on, reset, and brought back."""

from __future__ import annotations

import pytest

from gateway.alarm import actions as do
from gateway.alarm.definitions import Change
from gateway.alarm.states import RefusedError
from tests.alarm.alarm_plant import START, Watch, finding, plant, steps
from tests.sites import site, transducer

OPEN = "open-circuit:p0-0a"
HERE = plant()


def broken(latching: bool = False) -> Watch:  # noqa: FBT001, FBT002 - read as broken(latching)
    """A wire that broke after 5 s; 10 s have passed."""
    watch = Watch(HERE, changes={OPEN: Change(latching=latching)})
    watch.wait(10, [finding(HERE, "open-circuit", "p0-0a", at=5)])
    watch.said.clear()
    return watch


def mended(watch: Watch, at: int) -> None:
    """Repaired `at` seconds after START; a minute later."""
    cleared = finding(HERE, "open-circuit", "p0-0a", "cleared", at=at, since=5)
    watch.wait(at + 60, [cleared])


def test_a_finding_is_an_alarm_at_once_with_its_words_and_its_id() -> None:
    watch = Watch(HERE)
    (said,) = watch.wait(10, [finding(HERE, "open-circuit", "p0-0a", at=5)])
    assert (said.alarm, said.time - START, said.after) == (OPEN, 5, "active unacknowledged")
    assert said.message == "Open circuit: no signal at all"
    assert said.finding == f"open-circuit:p0-0a:{round((START + 5) * 1000)}"
    assert (said.actor, said.reason, said.cause) == ("gateway", "", "")


def test_seen_then_mended() -> None:
    watch = broken()
    watch.do(do.acknowledge(OPEN, "Ada"))
    assert watch.said[-1].actor == "Ada"
    mended(watch, 100)
    # 30 s off-delay of a finding: our own.
    assert steps(watch.said) == [
        (10, OPEN, "acknowledge", "active acknowledged"),
        (130, OPEN, "return to normal", "normal"),
    ]
    assert watch.alarms.stored.alarms == {}


def test_mended_before_anyone_looked_it_waits_to_be_seen() -> None:
    watch = broken()
    mended(watch, 100)
    assert watch.state(OPEN) == "returned unacknowledged"
    watch.do(do.acknowledge(OPEN, "BACnet 2001"))
    assert watch.state(OPEN) == "normal"


def test_a_latched_alarm_waits_for_its_reset() -> None:
    watch = broken(latching=True)
    mended(watch, 100)
    assert watch.state(OPEN) == "latched unacknowledged"
    with pytest.raises(RefusedError, match="not acknowledged yet"):
        watch.do(do.reset(OPEN, "Ada"))
    watch.do(do.acknowledge(OPEN, "Ada"))
    assert watch.state(OPEN) == "latched acknowledged"
    watch.do(do.reset(OPEN, "Ada", "wire clamped"))
    assert watch.state(OPEN) == "normal"


def test_a_loose_wire_is_few_alarms() -> None:
    watch = Watch(HERE)
    for k in range(60):  # broken for 5 s every 40 s, 40 minutes long
        at = 40 * k + 1
        both = [
            finding(HERE, "open-circuit", "p0-0a", at=at),
            finding(HERE, "open-circuit", "p0-0a", "cleared", at=at + 5, since=at),
        ]
        watch.wait(40 * (k + 1), both)
    assert sum(t.annunciates for t in watch.said) == 2
    watch.wait(2400 + 120)
    assert watch.state(OPEN) == "returned unacknowledged"


def test_a_wire_that_breaks_again_within_the_off_delay_has_not_returned() -> None:
    watch = broken()
    again = [
        finding(HERE, "open-circuit", "p0-0a", "cleared", at=100, since=5),
        finding(HERE, "open-circuit", "p0-0a", at=125),
    ]
    assert watch.wait(300, again) == []
    assert watch.state(OPEN) == "active unacknowledged"


def test_shelved_it_comes_back_by_itself_to_what_the_condition_deserves() -> None:
    watch = broken()
    watch.do(do.shelve(OPEN, "Ada", "electrician comes at ten", START + 50), 20)
    assert watch.shown() == []
    memory = watch.alarms.stored.alarms[OPEN]
    assert memory.shelf
    assert (memory.shelf.actor, memory.shelf.reason) == ("Ada", "electrician comes at ten")
    watch.wait(60)
    assert steps(watch.said) == [
        (20, OPEN, "shelve", "shelved"),
        (50, OPEN, "unshelve", "active unacknowledged"),
    ]
    assert watch.said[-1].reason == "its time is over"


def test_what_was_acknowledged_is_still_acknowledged_after_shelving() -> None:
    watch = broken()
    watch.do(do.acknowledge(OPEN, "Ada"))
    watch.do(do.shelve(OPEN, "Ada", "later", START + 50))
    watch.wait(60)
    assert watch.state(OPEN) == "active acknowledged"


def test_what_came_anew_while_shelved_is_not_acknowledged() -> None:
    watch = broken()
    watch.do(do.acknowledge(OPEN, "Ada"))
    watch.do(do.shelve(OPEN, "Ada", "later", START + 200))
    mended(watch, 20)
    watch.wait(120, [finding(HERE, "open-circuit", "p0-0a", at=100)])
    watch.do(do.unshelve(OPEN, "Ben"))
    assert steps(watch.said)[2:] == [
        (50, OPEN, "return to normal", "shelved"),
        (100, OPEN, "alarm", "shelved"),
        (120, OPEN, "unshelve", "active unacknowledged"),
    ]


def test_mended_while_shelved_it_comes_back_normal() -> None:
    watch = broken()
    watch.do(do.shelve(OPEN, "Ada", "later", START + 100))
    mended(watch, 20)
    assert watch.state(OPEN) == "shelved"
    watch.wait(110)
    assert watch.state(OPEN) == "normal"


def test_shelving_an_alarm_that_is_at_rest_keeps_it_quiet_when_it_comes() -> None:
    watch = Watch(HERE)
    watch.wait(1)
    watch.do(do.shelve(OPEN, "Ada", "wiring today", START + 3600))
    watch.wait(10, [finding(HERE, "open-circuit", "p0-0a", at=5)])
    assert watch.shown() == []
    assert watch.state(OPEN) == "shelved"


def test_out_of_service_is_every_alarm_of_the_transducer_and_of_no_other() -> None:
    watch = broken()
    said = watch.do(do.out_of_service("transducer", "p0-0a", "Ada", "calibration", START + 3600))
    assert {t.alarm for t in said} == {
        d.id for d in watch.alarms.definitions.on("transducer", "p0-0a")
    }
    assert {t.subject for t in said} == {"p0-0a"}
    assert watch.state(OPEN) == "out of service"
    both = [finding(HERE, "tube-off", k, at=20) for k in ("p0-0a", "p0-0b")]
    watch.wait(30, both)
    assert watch.shown() == ["tube-off:p0-0b"]
    told = watch.alarms.reported(both)
    # NAMUR NE 107: function check is "temporarily invalid because of work on the device".
    assert [f.status.value for f in told] == ["function check", "failure"]
    watch.do(do.return_to_service("transducer", "p0-0a", "Ada", "tested"))
    assert {OPEN, "tube-off:p0-0b"} <= {*watch.shown(), *watch.alarms.stored.alarms}
    assert watch.state(OPEN) == "active unacknowledged"
    assert [f.status.value for f in watch.alarms.reported(both)] == ["failure", "failure"]


def test_a_loop_takes_along_the_transducers_that_serve_it_alone() -> None:
    watch = Watch(HERE)
    watch.wait(1)
    said = watch.do(do.out_of_service("loop", "l0-0", "Ada", "damper work", START + 100))
    assert {t.subject for t in said} == {"l0-0", "p0-0a", "p0-0b"}
    loop_finding = finding(HERE, "disagreement", "l0-0", at=20)
    assert watch.alarms.reported([loop_finding])[0].status == "function check"
    watch.wait(120)
    assert watch.alarms.stored.alarms == {}
    assert {t.time - START for t in watch.said if t.event == "return to service"} == {100}


def test_a_transducer_that_another_loop_needs_stays_in_service() -> None:
    names = {"p1": transducer("a.c1"), "p2": transducer("a.c2"), "p3": transducer("a.c3")}
    loops = {"x": {"transducers": ["p1", "p2"], "combine": "average"},
             "y": {"transducers": ["p2", "p3"], "combine": "average"}}  # fmt: skip
    watch = Watch(site(names, loops))
    said = watch.do(do.out_of_service("loop", "x", "Ada", "damper work", START + 100))
    assert {t.subject for t in said} == {"x", "p1"}


def test_work_lies_over_the_shelf_and_the_shelf_over_what_is_left() -> None:
    watch = broken()
    watch.do(do.shelve(OPEN, "Ada", "later", START + 100))
    watch.do(do.out_of_service("transducer", "p0-0a", "Ada", "calibration", START + 60))
    assert watch.state(OPEN) == "out of service"
    watch.wait(70)
    assert watch.state(OPEN) == "shelved"
    watch.wait(110)
    assert watch.state(OPEN) == "active unacknowledged"


def test_shelving_may_be_prolonged() -> None:
    watch = broken()
    watch.do(do.shelve(OPEN, "Ada", "later", START + 30))
    watch.do(do.shelve(OPEN, "Ada", "later still", START + 90))
    watch.wait(60)
    assert watch.state(OPEN) == "shelved"
    watch.wait(95)
    assert watch.state(OPEN) == "active unacknowledged"


def test_acknowledge_all_of_a_subject_or_of_everything() -> None:
    two = [finding(HERE, "open-circuit", "p0-0a", at=1), finding(HERE, "tube-off", "p0-0b", at=1)]
    watch = Watch(HERE)
    watch.wait(5, two)
    assert [t.alarm for t in watch.do(do.acknowledge_group("p0-0b", "Ada"))] == ["tube-off:p0-0b"]
    assert [t.alarm for t in watch.do(do.acknowledge_group("", "Ada"))] == [OPEN]
    with pytest.raises(RefusedError, match="all alarms: acknowledge: nothing there"):
        watch.do(do.acknowledge_group("", "Ada"))


@pytest.mark.parametrize(
    ("action", "why"),
    [
        (do.acknowledge("tube-off:p0-0a", "Ada"), "tube-off:p0-0a: .*nothing to acknowledge"),
        (do.acknowledge("tube-off:nobody", "Ada"), "tube-off:nobody: not an alarm of this site"),
        (do.acknowledge(OPEN, "  "), "by nobody"),
        (do.reset(OPEN, "Ada"), "still active"),
        (do.unshelve(OPEN, "Ada"), "not shelved"),
        (do.shelve(OPEN, "Ada", "", START + 60), "no reason"),
        (do.shelve(OPEN, "Ada", "x", START + 10), "until .*; allowed: a time after"),
        (do.shelve(OPEN, "Ada", "x", float("inf")), "until inf"),
        (do.shelve(OPEN, "Ada", "x", START + 86_411), "24 h; allowed: at most 24 h"),
        (do.shelve("many-alarms:test", "Ada", "x", START + 60), "a group"),
        (do.out_of_service("loop", "p0-0a", "Ada", "x", START + 60), "no such loop"),
        (do.out_of_service("transducer", "p0-0a", "Ada", " ", START + 60), "no reason"),
        (do.return_to_service("transducer", "p0-0a", "Ada"), "not out of service"),
    ],
)
def test_what_cannot_be_is_refused_with_the_reason(action: do.Action, why: str) -> None:
    watch = broken()
    before = watch.alarms.stored
    with pytest.raises(RefusedError, match=why):
        watch.do(action, 10)
    assert watch.alarms.stored == before
    assert watch.wait(11) == []


def test_a_hidden_alarm_cannot_be_acknowledged() -> None:
    watch = broken()
    watch.do(do.shelve(OPEN, "Ada", "later", START + 100))
    with pytest.raises(RefusedError, match="hidden"):
        watch.do(do.acknowledge(OPEN, "Ada"))


def test_an_action_is_never_dated_before_what_was_seen() -> None:
    watch = broken()
    (said,) = watch.do(do.acknowledge(OPEN, "Ada"), 3)
    assert said.time == START + 10


def test_transitions_of_the_same_time_are_counted() -> None:
    two = [finding(HERE, "open-circuit", "p0-0a", at=1), finding(HERE, "tube-off", "p0-0b", at=1)]
    watch = Watch(HERE)
    watch.wait(1, two)
    watch.do(do.acknowledge_group("", "Ada"), 1)
    assert [(t.time - START, t.order) for t in watch.said] == [(1, 0), (1, 1), (1, 2), (1, 3)]
