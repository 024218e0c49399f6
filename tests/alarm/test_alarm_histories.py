"""Random histories: cut anywhere, killed anywhere, and the properties that always hold."""

from __future__ import annotations

import itertools
import json
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.alarm import actions as do
from gateway.alarm.definitions import Change
from gateway.alarm.memory import Stored, restore
from gateway.alarm.states import TABLE, Event, RefusedError, State
from gateway.alarm.transition import Transition, from_body, to_body
from gateway.diagnose.findings import Finding
from gateway.measure.blocks import Block
from tests.alarm.alarm_plant import START, Watch, finding, plant, quiet, rows

pytestmark = pytest.mark.slow

HERE = plant(2, 2, limits={"low": 20, "high": 80}, door=True)
CHANGES = {"tube-off": Change(latching=True), "pressure-low:l1-0": Change(latching=True)}
STEP_S, COUNT = 4.0, 150
FAULTS = (
    [(fault, k) for fault in ("open-circuit", "tube-off", "over-range") for k in HERE.transducers]
    + [("disagreement", k) for k in HERE.loops]
    + [("no-communication", k) for k in HERE.controllers]
)


@dataclass(frozen=True)
class Plan:
    """What happens: rows, findings, and actions before the row of their number."""

    block: Block
    events: tuple[Finding, ...]
    actions: dict[int, list[do.Action]]


def plan(seed: int) -> Plan:
    rng = np.random.default_rng(seed)
    pressures, running = {}, {}
    for loop, noun in HERE.loops.items():
        level = np.repeat(rng.choice([50.0, 50.0, 95.0, 10.0, 79.0], COUNT // 10), 10)
        for k in noun.transducers:
            pressures[k] = level + rng.normal(0, 1, COUNT)
        running[loop] = np.repeat(rng.random(COUNT // 30) > 0.25, 30).astype(float)
    events: list[Finding] = []
    for fault, subject in FAULTS:
        now = rng.integers(0, 400) if rng.random() < 0.7 else COUNT
        while now < COUNT:
            began = STEP_S * float(now)
            events.append(finding(HERE, fault, subject, at=began))
            now += rng.choice([1, 3, 10, 60])
            if now < COUNT:
                over = STEP_S * float(now)
                events.append(finding(HERE, fault, subject, "cleared", at=over, since=began))
            now += rng.choice([2, 5, 20])
    actions: dict[int, list[do.Action]] = {}
    for _ in range(rng.integers(0, 25)):
        row = int(rng.integers(1, COUNT))
        actions.setdefault(row, []).append(any_action(rng, START + STEP_S * row))
    events.sort(key=lambda f: f.time)
    return Plan(rows(HERE, pressures, running, interval=STEP_S), tuple(events), actions)


def any_action(rng: np.random.Generator, now: float) -> do.Action:
    names = [f"{fault}:{subject}" for fault, subject in FAULTS] + ["pressure-high:l0-0"]
    alarm, subject = str(rng.choice(names)), str(rng.choice(list(HERE.transducers)))
    until = now + float(rng.choice([5, 60, 300]))
    choices = (
        do.acknowledge(alarm, "Ada"),
        do.acknowledge_group("", "Ben"),
        do.acknowledge_group("", "Ben"),
        do.reset(f"tube-off:{subject}", "Ada"),
        do.shelve(alarm, "Ada", "later", until),
        do.unshelve(alarm, "Ben"),
        do.out_of_service("transducer", subject, "Ada", "calibration", until),
        do.out_of_service("loop", str(rng.choice(list(HERE.loops))), "Ada", "damper", until),
        do.return_to_service("transducer", subject, "Ada"),
    )
    return choices[int(rng.integers(len(choices)))]


def between(events: Iterable[Finding], part: Block) -> list[Finding]:
    return [f for f in events if part.time[0] <= f.time <= part.time[-1]]


def lived(made: Plan, cuts: Iterable[int], *, until: int = COUNT) -> Watch:
    """The plan up to a row, cut at these rows and wherever somebody does something."""
    watch = Watch(HERE, changes=CHANGES)
    edges = sorted({0, until, *(k for k in (*cuts, *made.actions) if k < until)})
    for a, b in itertools.pairwise(edges):
        for action in made.actions.get(a, []):
            try:
                watch.do(action)
            except RefusedError:
                continue  # what cannot be is refused in the same way however the rows are cut
        part = made.block.rows(a, b)
        watch.see(part, between(made.events, part))
        assert restore(watch.said) == watch.alarms.stored
    return watch


def standing(made: Plan, until: float) -> dict[str, Finding]:
    """Open findings at a time, by alarm."""
    found: dict[str, Finding] = {}
    for f in made.events:
        if f.time <= until:
            name = f"{f.fault}:{f.subject}"
            if f.phase == "raised":
                found[name] = f
            else:
                found.pop(name, None)
    return found


def by_the_table(said: list[Transition]) -> None:
    where: dict[str, State] = {}
    for t in said:
        assert where.get(t.alarm, State.NORMAL) is t.before
        where[t.alarm] = t.after
        cell = TABLE[t.before, t.event]
        assert not cell.refused
        assert cell.deserved or t.after in (cell.to, cell.latching)


def order_holds(said: list[Transition]) -> None:
    keys = [(t.time, t.order) for t in said]
    assert keys == sorted(set(keys))


def acknowledgements_last(said: list[Transition]) -> None:
    """Once seen, an alarm asks again only after its condition came anew."""
    seen: dict[str, bool] = {}
    for t in said:
        if t.event is Event.ACKNOWLEDGE:
            seen[t.alarm] = True
        if t.event is Event.ALARM:
            seen[t.alarm] = False
        if t.after in (State.UNACKNOWLEDGED, State.RETURNED, State.LATCHED_UNACKNOWLEDGED):
            assert not seen.get(t.alarm), t
    assert seen


def never_hasty(said: list[Transition], watch: Watch) -> None:
    """At most one activation of an alarm in its on-delay and off-delay."""
    last: dict[str, float] = {}
    for t in said:
        d = watch.alarms.definitions.of(t.alarm)
        if t.event is Event.ALARM and d.source != "group":
            least = d.off_delay_s + (d.on_delay_s if d.source == "limit" else 0)
            assert t.time - last.get(t.alarm, float("-inf")) >= least
            last[t.alarm] = t.time


def nothing_is_lost(stored: Stored, now: float, watch: Watch) -> None:
    """Whatever is active is on display, or somebody or something that is known hides it."""
    for alarm, memory in stored.alarms.items():
        if not memory.active or memory.state in (State.UNACKNOWLEDGED, State.ACKNOWLEDGED):
            continue
        holds = [hold for hold in (memory.shelf, memory.service) if hold]
        assert holds or memory.rule or memory.cause, alarm
        assert all(hold.until > now for hold in holds)
        if memory.cause and not holds and not memory.rule:
            cause = stored.alarms.get(memory.cause)
            delay = watch.alarms.definitions.of(alarm).on_delay_s + STEP_S
            gone = now - max((t.time for t in watch.said if t.alarm == memory.cause), default=now)
            assert (cause is not None and cause.active) or gone <= delay, alarm


@settings(max_examples=12)
@given(st.integers(0, 100_000), st.lists(st.integers(1, COUNT - 1), max_size=12))
def test_the_same_transitions_however_history_is_cut(seed: int, cuts: list[int]) -> None:
    made = plan(seed)
    once = lived(made, ())
    assert lived(made, cuts).said == once.said


def test_row_by_row_as_live_gives_the_same_and_there_is_something_to_see() -> None:
    events: set[Event] = set()
    states: set[State] = set()
    for seed in range(2):
        made = plan(seed)
        once = lived(made, ())
        assert lived(made, range(COUNT)).said == once.said
        events |= {t.event for t in once.said}
        states |= {t.after for t in once.said}
    # The properties would be empty if the histories were quiet.
    assert events == set(Event) - {Event.RESET} or events == set(Event)
    assert states >= set(State) - {State.LATCHED_ACKNOWLEDGED}


@settings(max_examples=15)
@given(st.integers(0, 100_000))
def test_what_always_holds(seed: int) -> None:
    watch = lived(plan(seed), range(0, COUNT, 25))
    by_the_table(watch.said)
    order_holds(watch.said)
    never_hasty(watch.said, watch)
    nothing_is_lost(watch.alarms.stored, watch.now, watch)
    acknowledgements_last(watch.said)


@settings(max_examples=12)
@given(st.integers(0, 100_000))
def test_the_journal_alone_brings_everything_back(seed: int) -> None:
    watch = lived(plan(seed), ())
    lines = [json.dumps(to_body(t)) for t in watch.said]
    back = restore(from_body(json.loads(line)) for line in lines)
    assert back == watch.alarms.stored
    assert Watch(HERE, back, CHANGES).alarms.stored == back


@settings(max_examples=20)
@given(st.integers(0, 100_000), st.integers(2, COUNT - 1), st.floats(0, 1))
def test_killed_at_any_row_and_in_the_middle_of_writing_it(
    seed: int, row: int, share: float
) -> None:
    made = plan(seed)
    killed = lived(made, (), until=row)
    kept = killed.said[: round(len(killed.said) * max(share, 0.5))]
    still_open = standing(made, killed.now)
    again = Watch(HERE, restore(kept), CHANGES)
    long_after = killed.now + 30
    again.see(quiet(HERE, 150, start=long_after, interval=10), (), still_open.values())
    by_the_table([*kept, *again.said])
    assert restore([*kept, *again.said]) == again.alarms.stored
    nothing_is_lost(again.alarms.stored, again.now, again)
    active = {k for k, m in again.alarms.stored.alarms.items() if m.active}
    blind = {
        loop
        for loop, noun in HERE.loops.items()
        if all({f"open-circuit:{k}", f"tube-off:{k}"} & set(still_open) for k in noun.transducers)
    }  # whether a limit is passed there cannot be told
    told = {k for k in active if "many" not in k and k.partition(":")[2] not in blind}
    assert told == {k for k in still_open if k.partition(":")[2] not in blind}


@given(st.integers(0, 100_000), st.integers(2, COUNT - 1))
@settings(max_examples=12)
def test_nothing_is_said_twice_after_a_restart(seed: int, row: int) -> None:
    made = plan(seed)
    killed = lived(made, (), until=row)
    again = Watch(HERE, restore(killed.said), CHANGES)
    before = again.alarms.stored
    part = made.block.rows(row - 1, row)  # the very last row again, a moment later
    later = Block(part.time + 0.5, part.values, part.reasons)
    again.see(later, (), standing(made, killed.now).values())
    fresh = {t.alarm for t in again.said if t.event is Event.ALARM}
    assert not fresh & {k for k, m in before.alarms.items() if m.active}
    seen = {k for k, m in before.alarms.items() if m.acknowledged and m.active}
    assert all(again.alarms.stored.alarms[k].acknowledged for k in seen)


def test_a_subject_that_left_the_site_file_is_forgotten() -> None:
    watch = lived(plan(3), ())
    smaller = plant(1, 1)
    again = Watch(smaller, watch.alarms.stored)
    again.see(quiet(smaller, 5, start=watch.now + 10))
    assert all(again.alarms.definitions.of(k) for k in again.alarms.stored.alarms)
