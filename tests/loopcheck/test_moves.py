"""The state machine of a check: order of steps, what is refused, and that events are all of it."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.loopcheck.events import (
    Abandoned,
    Applied,
    Begun,
    Decided,
    Event,
    Finished,
    Noted,
    Paused,
    Repeated,
    Resumed,
    Skipped,
    from_json,
    to_json,
)
from gateway.loopcheck.moves import advance, replay
from gateway.loopcheck.run import CheckError, Conclude, Decide, Measure, Run
from gateway.loopcheck.steps import Part
from tests.loopcheck.made import ADA, START, begun, plan, read, stair, whole

AT: dict[str, Any] = {"time": START + 1, "person": ADA}


def step_of(run: Run) -> Any:
    assert isinstance(run.task, Measure), run.task
    return run.task.step


def read_through(run: Run) -> Run:
    while isinstance(run.task, Measure):
        run = advance(run, read(run, run.task.step))
    return run


def test_five_points_up_and_down_after_the_ports_were_bridged() -> None:
    run = begun()
    order = [(s.kind, s.point, s.direction) for s in run.steps()]
    assert order[0] == ("ports bridged", 20.0, "up")
    assert [p for _, p, _ in order[1:]] == [0, 25, 50, 75, 100, 75, 50, 25, 0]
    assert [d for _, _, d in order[1:]] == ["up"] * 5 + ["down"] * 4
    assert step_of(run).apply == {"p1": 0.0}
    assert [s.apply["p1"] for s in run.steps()][1:4] == [-25, 6.25, 37.5]


@pytest.mark.parametrize(
    ("changes", "points"),
    [
        ({"scheme": "three points"}, [20, 0, 50, 100, 50, 0]),
        ({"scheme": "one point", "point": 40}, [40]),
        ({"scheme": "zero"}, [20]),
        ({"scheme": "three points", "cycles": 2}, [20, 0, 50, 100, 50, 0, 0, 50, 100, 50, 0]),
    ],
)
def test_other_schemes(changes: dict[str, Any], points: list[float]) -> None:
    run = begun(plan(**changes))
    assert [s.point for s in run.steps()] == points
    assert len({s.key for s in run.steps()}) == len(points)


def test_a_range_without_zero_has_no_bridged_reading() -> None:
    run = begun(about=stair(range=[50, 250]))
    assert {s.kind for s in run.steps()} == {"point"}


def test_inputs_alone_and_in_pairs() -> None:
    run = begun(plan(transducers=("p1",), combined=True, scheme="zero", only_as_found=True))
    driven = [(s.kind, s.driven) for s in run.steps() if s.part is Part.COMBINED]
    assert driven == [
        ("inputs", ()), ("inputs", ("p1",)), ("inputs", ("p2",)), ("inputs", ("p1", "p2")),
        ("beyond range", ("p1",)),
    ]  # fmt: skip
    applied = [dict(s.apply) for s in run.steps() if s.part is Part.COMBINED]
    assert applied[1] == {"p1": 60.0, "p2": 0.0}
    assert applied[-1] == {"p1": 103.75, "p2": 0.0}


def test_as_found_then_the_decision_then_as_left() -> None:
    run = read_through(begun(plan(scheme="zero")))
    assert run.task == Decide("p1")
    untouched = advance(run, Decided(**AT, transducer="p1", adjusted=False))
    assert untouched.task == Conclude()
    touched = advance(run, Decided(**AT, transducer="p1", adjusted=True, notes="zero turned"))
    assert step_of(touched).key == "as-left/p1/zero"
    once_more = advance(read_through(touched), Decided(**AT, transducer="p1", adjusted=True))
    assert step_of(once_more).key == "as-left/p1/zero"
    assert [why for _, why in once_more.void] == ["adjusted once more"]
    assert len(once_more.adjustments) == 2
    assert once_more.recorded.keys() == {"as-found/p1/zero"}


def test_a_look_asks_for_no_decision() -> None:
    run = read_through(begun(plan(scheme="zero", only_as_found=True)))
    assert run.task == Conclude()
    with pytest.raises(CheckError, match="only looks"):
        advance(run, Decided(**AT, transducer="p1", adjusted=False))


def test_a_repeated_reading_stays_known_and_comes_again() -> None:
    run = begun()
    first = step_of(run).key
    run = advance(run, read(run, step_of(run)))
    run = advance(run, Repeated(**AT, step=first, reason="tube slipped"))
    assert step_of(run).key == first
    assert [(one.step, why) for one, why in run.void] == [(first, "tube slipped")]
    run = advance(run, read(run, step_of(run)))
    assert step_of(run).key != first


def test_a_skipped_step_can_be_taken_up_again() -> None:
    run = begun()
    first = step_of(run).key
    run = advance(run, Skipped(**AT, step=first, reason="no vacuum pump"))
    assert step_of(run).key != first
    assert step_of(advance(run, Repeated(**AT, step=first, reason=""))).key == first


def test_after_a_pause_what_is_applied_must_be_said_again() -> None:
    run = begun()
    run = advance(run, Applied(**AT, step=step_of(run).key, shown={"p1": 0.02}))
    assert run.applied
    run = advance(run, Paused(**AT))
    with pytest.raises(CheckError, match="paused"):
        advance(run, Applied(**AT, step=step_of(run).key))
    run = advance(advance(run, Noted(**AT, text="lunch")), Resumed(**AT))
    assert (run.applied, run.paused) == (None, None)


@pytest.mark.parametrize(
    ("event", "words"),
    [
        (Applied(**AT, step="as-found/p1/1-up-25"), "allowed: as-found/p1/zero"),
        (Applied(**AT, step="as-found/p1/zero", shown={"p2": 1}), "p2: nothing is applied"),
        (Skipped(**AT, step="nonsense", reason="x"), "allowed: as-found/p1/zero"),
        (Repeated(**AT, step="as-found/p1/zero", reason=""), "nothing was recorded"),
        (Repeated(**AT, step="nonsense", reason=""), "no step of this check"),
        (Decided(**AT, transducer="p1", adjusted=False), "not read through"),
        (Decided(**AT, transducer="p2", adjusted=False), "allowed: p1"),
        (Finished(**AT), "more to do"),
        (Resumed(**AT), "not paused"),
        (begun().begun, "begun already"),
    ],
)
def test_what_does_not_fit_is_refused(event: Event, words: str) -> None:
    with pytest.raises(CheckError, match=words):
        advance(begun(), event)


def test_nothing_follows_the_end() -> None:
    for run in (whole(begun()), advance(begun(), Abandoned(**AT, reason="called away"))):
        with pytest.raises(CheckError, match="over"):
            advance(run, Noted(**AT, text="late"))


def test_only_a_beginning_begins() -> None:
    with pytest.raises(CheckError, match="before begun"):
        replay([Noted(**AT, text="x")])


MOVES = ("record", "skip", "repeat", "pause", "resume", "adjust", "leave", "note", "apply")


def move(run: Run, name: str) -> Event:
    """An event of that kind, whether it fits or not."""
    step = run.task.step.key if isinstance(run.task, Measure) else "as-found/p1/zero"
    events: dict[str, Event] = {
        "skip": Skipped(**AT, step=step, reason="x"),
        "repeat": Repeated(**AT, step=min([*run.recorded, *run.skipped, step]), reason=""),
        "pause": Paused(**AT),
        "resume": Resumed(**AT),
        "adjust": Decided(**AT, transducer="p1", adjusted=True),
        "leave": Decided(**AT, transducer="p1", adjusted=False),
        "note": Noted(**AT, text="x"),
        "apply": Applied(**AT, step=step),
    }
    if name == "record":
        return read(run, run.step(step))
    return events[name]


@given(st.lists(st.sampled_from(MOVES), max_size=40))
def test_events_are_all_there_is(names: list[str]) -> None:
    """Whatever happens: what is kept as text makes the same run, and no reading is ever lost."""
    run = begun(plan(scheme="three points"))
    kept: list[Event] = [run.begun]
    readings = 0
    for name in names:
        event = move(run, name)
        try:
            run = advance(run, event)
        except CheckError:
            continue
        kept.append(event)
        readings += name == "record"
        assert len(run.recorded) + len(run.void) == readings
    again = [from_json(to_json(event)) for event in kept]
    assert again == kept
    assert replay(again) == run
    assert isinstance(again[0], Begun)
