"""Event states, what is told of them, and what is acknowledged: without a network."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.publish.bacnet_alarms import AlarmState, Terms
from gateway.publish.bacnet_codes import EventState, Transition
from gateway.publish.bacnet_events import Events, Notice
from gateway.publish.bacnet_inputs import inputs
from gateway.publish.bacnet_values import Cause, Shown
from tests.publish.bacnet_site import high_alarm, plant, wire_alarm
from tests.publish.made import START

pytestmark = pytest.mark.slow

HERE = plant()
INPUTS = inputs(HERE, {"stair": Terms(2.5, 15.0)})
P1, P2, COMBINED = range(3)
N, F, H, L = EventState.NORMAL, EventState.FAULT, EventState.HIGH_LIMIT, EventState.LOW_LIMIT
OFFNORMAL, FAULT, NORMAL = Transition
OPEN = Cause(4, "open-circuit", "p1", "Open circuit at p1", START)
BARE = Cause(7, "", "p1", "No reading", START)
DISAGREEMENT = Cause(7, "disagreement", "stair", "p1 and p2 disagree", START)
LOW_ALARM = replace(high_alarm(), id="pressure-low:stair", fault="pressure-low", side=-1)
DOOR_ALARM = replace(high_alarm(), id="door-force:stair", fault="door-force", limit_Pa=133.0)
LINK = replace(
    wire_alarm(), id="no-communication:a", fault="no-communication", kind="controller", subject="a"
)


class Follower:
    """Seconds of a site; the first one without anything."""

    def __init__(self, *, begun: bool = True) -> None:
        self.events = Events(INPUTS, "test")
        self.now = START
        if begun:
            assert self.next() == []

    def next(
        self, causes: dict[int, Cause] | None = None, alarms: Iterable[AlarmState] = ()
    ) -> list[Notice]:
        self.now += 1
        causes = causes or {}
        reliabilities = [causes[k].reliability if k in causes else 0 for k in range(6)]
        shown = Shown(self.now, [95.0] * 6, reliabilities, causes)
        return self.events.examine(shown, alarms)

    def acknowledged(self, index: int) -> list[bool]:
        return self.events.of(index).acknowledged


def steps(notices: list[Notice]) -> list[tuple[int, str, EventState, EventState]]:
    return [(n.index, n.kind, n.before, n.after) for n in notices]


def test_a_fault_is_told_at_once_and_once() -> None:
    site = Follower()
    (notice,) = site.next({P1: OPEN}, [wire_alarm()])
    assert steps([notice]) == [(P1, "alarm", N, F)]
    assert notice.transition is FAULT
    assert notice.time == START, "when it was found"
    assert notice.message == "p1 pressure: Open circuit at p1 (medium priority)"
    assert (notice.reliability, notice.value) == (4, 95.0)
    assert site.acknowledged(P1) == [True, False, True]
    for _ in range(3):
        assert site.next({P1: OPEN}, [wire_alarm()]) == []
    (back,) = site.next({}, [wire_alarm(active=False)])
    assert steps([back]) == [(P1, "alarm", F, N)]
    assert site.acknowledged(P1) == [True, False, True], "still to be acknowledged"
    assert [k for k, _ in site.events.standing()] == [P1]


def test_times_of_events_never_go_back() -> None:
    site = Follower()
    site.next({P1: BARE})
    site.next()
    (notice,) = site.next({P1: OPEN}, [wire_alarm()])
    assert notice.time == site.now, "it is older than the return that was told"
    later = replace(OPEN, fault="frozen", since=site.now + 0.75)
    (notice,) = site.next({P1: later})
    assert notice.time == later.since


def test_another_fault_is_told_from_fault_to_fault() -> None:
    site = Follower()
    site.next({P1: BARE})
    (notice,) = site.next({P1: OPEN}, [wire_alarm()])
    assert steps([notice]) == [(P1, "alarm", F, F)]
    assert notice.reliability == 4
    assert site.next({P1: OPEN}, [wire_alarm()]) == []


def test_a_limit_goes_as_the_machine_says() -> None:
    site = Follower()
    (high,) = site.next({}, [high_alarm()])
    assert steps([high]) == [(COMBINED, "alarm", N, H)]
    assert high.transition is OFFNORMAL
    assert high.message == ("stair combined pressure: Pressure above 90 Pa (high priority)")
    assert high.limit_Pa == 90.0
    assert site.next({}, [high_alarm()]) == []
    (low,) = site.next({}, [LOW_ALARM])
    assert steps([low]) == [(COMBINED, "alarm", H, L)]
    (back,) = site.next({}, [replace(LOW_ALARM, active=False)])
    assert steps([back]) == [(COMBINED, "alarm", L, N)]


def test_a_second_limit_is_told_too_and_its_end_is_not() -> None:
    site = Follower()
    site.next({}, [high_alarm(acknowledged=True)])
    (door,) = site.next({}, [high_alarm(acknowledged=True), DOOR_ALARM])
    assert steps([door]) == [(COMBINED, "alarm", H, H)]
    assert site.acknowledged(COMBINED)[OFFNORMAL] is False
    assert site.next({}, [high_alarm(acknowledged=True), DOOR_ALARM]) == []
    gone = [high_alarm(acknowledged=True)]
    assert [n.kind for n in site.next({}, gone)] == ["acknowledgement"]
    assert site.next({}, gone) == []


def test_a_limit_goes_before_a_fault_of_the_loop() -> None:
    site = Follower()
    assert steps(site.next({COMBINED: DISAGREEMENT})) == [(COMBINED, "alarm", N, F)]
    both = {COMBINED: DISAGREEMENT}
    assert steps(site.next(both, [high_alarm()])) == [(COMBINED, "alarm", F, H)]
    back = site.next(both, [high_alarm(active=False)])
    assert steps(back) == [(COMBINED, "alarm", H, F)]


@pytest.mark.parametrize("hiding", ["shelved", "suppressed"])
def test_a_hidden_limit_is_no_event(hiding: str) -> None:
    site = Follower()
    hidden = replace(high_alarm(), shelved=hiding == "shelved", suppressed=hiding == "suppressed")
    assert site.next({}, [hidden]) == []
    assert steps(site.next({}, [high_alarm()])) == [(COMBINED, "alarm", N, H)]
    assert steps(site.next({}, [hidden]))[0] == (COMBINED, "alarm", H, N)


def test_a_shelved_fault_is_a_state_that_nobody_is_told_of() -> None:
    site = Follower()
    shelved = wire_alarm(shelved=True)
    assert site.next({P1: OPEN}, [shelved]) == []
    assert site.events.of(P1).state is F
    assert site.acknowledged(P1) == [True] * 3
    assert steps(site.next({P1: OPEN}, [wire_alarm()])) == [(P1, "alarm", F, F)], "unshelved"
    assert [n.kind for n in site.next({P1: OPEN}, [shelved])] == ["acknowledgement"]
    assert site.next({}, [replace(shelved, active=False)]) == [], "its end is not told either"


def test_acknowledged_elsewhere_is_told_here() -> None:
    site = Follower()
    site.next({P1: OPEN}, [wire_alarm()])
    (told,) = site.next({P1: OPEN}, [wire_alarm(acknowledged=True)])
    assert steps([told]) == [(P1, "acknowledgement", F, F)]
    assert site.acknowledged(P1) == [True] * 3
    assert site.next({P1: OPEN}, [wire_alarm(acknowledged=True)]) == []


def test_acknowledged_after_its_end_and_gone_from_the_list() -> None:
    site = Follower()
    site.next({}, [high_alarm()])
    site.next({}, [high_alarm(active=False)])
    (told,) = site.next()
    assert steps([told]) == [(COMBINED, "acknowledgement", H, H)]
    assert site.events.standing() == []


def test_a_fault_without_an_alarm_waits_for_whom_it_concerns() -> None:
    site = Follower()
    site.next({P1: BARE})
    assert site.next({P1: BARE}) == [], "nobody acknowledged it"
    assert site.events.to_acknowledge(P1, FAULT) == ()
    assert steps(site.events.acknowledge(P1, FAULT, site.now)) == [(P1, "acknowledgement", F, F)]
    assert site.events.acknowledge(P1, FAULT, site.now) == [], "told once"


def test_a_fault_of_the_controller_is_acknowledged_once_for_all() -> None:
    site = Follower()
    silent = replace(OPEN, fault="no-communication", subject="a", reliability=12)
    told = site.next({P1: silent, P2: silent}, [LINK])
    assert steps(told) == [(P1, "alarm", N, F), (P2, "alarm", N, F)]
    assert site.events.to_acknowledge(P2, FAULT) == ("no-communication:a",)
    done = site.next({P1: silent, P2: silent}, [replace(LINK, acknowledged=True)])
    assert [(n.index, n.kind) for n in done] == [(P1, "acknowledgement"), (P2, "acknowledgement")]


def test_own_alarm_counts_before_that_of_the_controller() -> None:
    site = Follower()
    acknowledged_link = replace(LINK, acknowledged=True)
    site.next({P1: OPEN}, [acknowledged_link, wire_alarm()])
    assert site.events.to_acknowledge(P1, FAULT) == ("open-circuit:p1",)
    assert site.acknowledged(P1)[FAULT] is False


def test_what_explains_a_hidden_alarm_stands_for_it() -> None:
    site = Follower()
    other = wire_alarm("p2")
    hidden = wire_alarm(suppressed=True, cause=other.id)
    assert steps(site.next({P1: OPEN}, [hidden, other, LINK]))[0] == (P1, "alarm", N, F)
    assert site.events.to_acknowledge(P1, FAULT) == (other.id,)


def test_one_alarm_for_many_is_acknowledged_for_each() -> None:
    site = Follower()
    many = replace(LINK, id="many-alarms:test", fault="many-alarms", kind="site", subject="test")
    elsewhere = replace(LINK, id="no-communication:b", subject="b")
    site.next({P1: OPEN}, [many, elsewhere])
    assert site.events.to_acknowledge(P1, FAULT) == (many.id,)
    assert site.next({P1: OPEN}, [replace(many, acknowledged=True)])[0].kind == "acknowledgement"


def test_after_a_restart_the_acknowledged_is_known() -> None:
    site = Follower(begun=False)
    alarms = [wire_alarm(acknowledged=True), high_alarm(acknowledged=True)]
    assert site.next({P1: OPEN}, alarms) == []
    assert (site.events.of(P1).state, site.events.of(COMBINED).state) == (F, H)
    assert site.acknowledged(P1) == site.acknowledged(COMBINED) == [True] * 3
    back = site.next({}, [])
    assert steps(back) == [(P1, "alarm", F, N), (COMBINED, "alarm", H, N)]


def test_after_a_restart_the_unacknowledged_is_told_again_with_its_own_time() -> None:
    site = Follower(begun=False)
    told = site.next({P1: OPEN}, [wire_alarm(), high_alarm(since=START - 60)])
    assert steps(told) == [(P1, "alarm", N, F), (COMBINED, "alarm", N, H)]
    assert [n.time for n in told] == [START, START - 60]


def test_after_a_restart_what_has_returned_still_waits() -> None:
    site = Follower(begun=False)
    returned = [high_alarm(active=False, since=START - 60), wire_alarm(active=False)]
    assert site.next({}, returned) == []
    assert site.acknowledged(COMBINED) == [False, True, True]
    assert site.acknowledged(P1) == [True, False, True]
    standing = site.events.of(COMBINED)
    assert (standing.times[OFFNORMAL], standing.reached[OFFNORMAL]) == (START - 60, H)
    assert site.events.to_acknowledge(COMBINED, OFFNORMAL) == ("pressure-high:stair",)


def test_after_a_restart_an_alarm_of_the_controller_still_waits_at_its_transducers() -> None:
    # It was told of each of them, and nobody could acknowledge it from here otherwise.
    site = Follower(begun=False)
    assert site.next({}, [replace(LINK, active=False)]) == []
    assert site.acknowledged(P1) == site.acknowledged(P2) == [True, False, True]
    assert site.acknowledged(COMBINED) == [True] * 3
    assert site.events.of(P2).times[FAULT] == START
    assert site.events.to_acknowledge(P2, FAULT) == ("no-communication:a",)
    done = site.next({}, [replace(LINK, active=False, acknowledged=True)])
    assert [(n.index, n.kind) for n in done] == [(P1, "acknowledgement"), (P2, "acknowledgement")]


CAUSES = st.sampled_from([None, BARE, OPEN])
WIRES = st.sampled_from(
    [None, wire_alarm(), wire_alarm(acknowledged=True), wire_alarm(active=False)]
)
LIMITS = st.sampled_from(
    [None, high_alarm(), high_alarm(acknowledged=True), high_alarm(active=False), LOW_ALARM]
)


@given(seconds=st.lists(st.tuples(CAUSES, WIRES, LIMITS), max_size=12), begun=st.booleans())
def test_what_was_told_always_leads_to_what_stands(
    seconds: list[tuple[Cause | None, AlarmState | None, AlarmState | None]],
    begun: bool,  # noqa: FBT001 - hypothesis names its arguments
) -> None:
    site = Follower(begun=begun)
    told = {P1: N, COMBINED: N}
    begun_with: set[int] = set()
    for number, (cause, wire, limit) in enumerate(seconds):
        alarms = [a for a in (wire, limit) if a is not None]
        before = {k: list(site.acknowledged(k)) for k in told}
        notices = site.next({P1: cause} if cause else {}, alarms)
        for one in notices:
            if one.kind == "alarm":
                assert one.before is told[one.index] or one.index in begun_with
                told[one.index] = one.after
                begun_with.discard(one.index)
            else:
                moved = any(n.kind == "alarm" and n.index == one.index for n in notices)
                assert not before[one.index][one.transition] or moved
                assert site.acknowledged(one.index)[one.transition]
        for k, last in told.items():
            standing = site.events.of(k)
            if not begun and number == 0 and standing.state is not last:
                begun_with.add(k)  # known from before the restart
            assert standing.state is last or k in begun_with
            assert standing.acknowledged[NORMAL]
            if standing.at_rest:
                assert k not in dict(site.events.standing())
