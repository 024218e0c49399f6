"""Settings and wires that are wrong, named from what was applied and read."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from gateway.loopcheck.acceptance import Verdict
from gateway.loopcheck.feedback import table, tolerance_of
from gateway.loopcheck.mistakes import mistakes
from gateway.loopcheck.proofs import proofs
from gateway.loopcheck.run import Run
from gateway.loopcheck.steps import Step
from tests.loopcheck.made import begun, checked_site, exact, plan, stair, whole

BOTH = plan(transducers=("p1", "p2"), combined=True, scheme="three points")
LOOK = plan(transducers=("p1",), combined=True, scheme="zero", only_as_found=True)


def names(run: Run) -> list[tuple[str, str]]:
    return [(one.fault, one.subject) for one in mistakes(run)]


def line(gain: float, offset: float, of: str = "p1") -> Callable[[str, float], float]:
    """The controller shows gain x % + offset of one input, in Pa of -25..100."""

    def shown(key: str, pressure: float) -> float:
        percent = (pressure + 25) / 1.25
        return pressure if key != of else -25 + 1.25 * (gain * percent + offset)

    return shown


def swapped(step: Step, key: str) -> float:
    return exact(step, {"p1": "p2", "p2": "p1"}[key])


def test_a_sound_loop_has_no_mistake_and_every_question_answered() -> None:
    run = whole(begun(BOTH), running=True, output=30.0)
    assert names(run) == []
    found = {one.name: one.verdict for one in proofs(run, mistakes(run))}
    assert found.pop("Direction of action") is Verdict.NOT_PROVED
    assert set(found.values()) == {Verdict.PASS}
    lines = table(run)
    assert lines
    assert lines.verdict is Verdict.PASS
    assert [one.expected for one in lines.lines] == [0, 30, 30, 60, 51.875]
    assert lines.lines[-1].verdict is None, "beyond the range nothing is judged"


@pytest.mark.parametrize(
    ("shown", "fault", "words"),
    [
        (line(0.8, 20), "live-zero-mismatch", "4-20 mA taken for 0-20 mA"),
        (line(2, 25), "signal-mismatch", "500 ohm where 250 ohm is meant"),
        (line(2.4, -8), "range-mismatch", "as if its range were -35 to 265 Pa"),
        (line(1 / 9.80665, -20 * (1 - 1 / 9.80665) * -1), "unit-mismatch", "mmH2O"),
        (line(0.8, 20, of="p2"), "live-zero-mismatch", "scales p2 wrongly"),
    ],
)  # fmt: skip
def test_a_wrong_setting_is_named(
    shown: Callable[[str, float], float], fault: str, words: str
) -> None:
    run = whole(begun(BOTH), theirs=shown)
    (found,) = mistakes(run)
    assert found.fault == fault
    assert words in found.words
    lines = table(run)
    assert lines
    assert lines.verdict is Verdict.FAIL
    scaling = proofs(run, (found,))[1]
    assert (scaling.verdict, scaling.words) == (Verdict.FAIL, found.words)


def test_the_combined_part_alone_names_it_too() -> None:
    run = whole(begun(LOOK), theirs=line(0.8, 20, of="p2"))
    assert names(run) == [("live-zero-mismatch", "p2")]


def test_a_clamped_value_is_on_no_line() -> None:
    def stops(key: str, pressure: float) -> float:
        return min(100.0, max(-25.0, line(1.25, -25)(key, pressure)))

    five = plan(transducers=("p1", "p2"), combined=True)
    assert names(whole(begun(five), theirs=stops)) == [("range-mismatch", "p1")]
    assert names(whole(begun(BOTH), theirs=lambda _k, p: min(100.0, p))) == []


def test_swapped_inputs_are_named_once_and_nothing_else() -> None:
    run = whole(begun(BOTH), ours=swapped)
    (found,) = mistakes(run)
    assert (found.fault, found.subject) == ("inputs-swapped", "p1, p2")
    assert "the inputs of p1 and p2 are swapped" in found.words
    lines = table(run)
    assert lines
    assert lines.verdict is Verdict.PASS, "an average does not tell one from the other"


def test_swapped_inputs_show_without_the_combined_part() -> None:
    run = whole(begun(plan(transducers=("p1",), scheme="three points")), ours=swapped)
    assert names(run) == [("inputs-swapped", "p1, p2")]


def test_an_input_that_hears_nothing() -> None:
    run = whole(begun(BOTH), ours=lambda s, k: 0.0 if k == "p1" else exact(s, k))
    assert ("input-deaf", "p1") in names(run)


@pytest.mark.parametrize("is_", ["minimum", "maximum", "sum", "difference"])
def test_a_wrong_combination_is_named(is_: str) -> None:
    run = whole(begun(BOTH), combination=is_)
    (found,) = mistakes(run)
    assert found.fault == "combination-mismatch"
    assert f"not the average of its inputs but the {is_};" in found.words


def test_one_input_alone_as_feedback() -> None:
    run = whole(begun(BOTH), feedback=0.0)
    (found,) = mistakes(run)
    assert "none of the usual combinations" in found.words


def test_wrong_scaling_is_no_wrong_combination() -> None:
    run = whole(begun(BOTH, stair("minimum")), theirs=line(0.8, 20), combination="minimum")
    assert names(run) == [("live-zero-mismatch", "p1")]


@pytest.mark.parametrize(("feedback", "goes"), [(60.0, 1.0), (20.0, -1.0)])
@pytest.mark.parametrize(("running", "told"), [(True, True), (False, False)])
def test_an_output_that_goes_the_wrong_way(
    feedback: float, goes: float, *, running: bool, told: bool
) -> None:
    run = whole(begun(LOOK), feedback=feedback, setpoint=40.0, running=running, output=30.0)
    moved = {
        key: read.model_copy(update={"loop": read.loop.model_copy(update={"output_moved": goes})})
        for key, read in run.recorded.items()
    }
    assert ("action-reversed" in dict(names(replace(run, recorded=moved)))) is told
    right = {
        key: read.model_copy(update={"loop": read.loop.model_copy(update={"output_moved": -goes})})
        for key, read in run.recorded.items()
    }
    found = proofs(replace(run, recorded=right), ())[4]
    assert found.verdict is (Verdict.PASS if told else Verdict.NOT_PROVED)


@pytest.mark.parametrize(("setpoint", "wrong"), [(40.0, False), (100.0, False), (120.0, True)])
def test_the_set_point_lies_in_range(setpoint: float, *, wrong: bool) -> None:
    run = whole(begun(LOOK), setpoint=setpoint)
    assert (names(run) == [("setpoint-outside-range", "stair")]) is wrong


@pytest.mark.parametrize(
    ("combine", "tolerance"), [("average", 1.25), ("minimum", 1.25), ("sum", 2.5)]
)
def test_tolerance_of_the_feedback(combine: str, tolerance: float) -> None:
    assert tolerance_of(stair(combine)) == pytest.approx(tolerance)


def test_a_device_that_is_off_is_not_taken_for_a_wrong_setting() -> None:
    off = whole(begun(BOTH), ours=lambda s, k: exact(s, k) + (5 if k == "p1" else 0))
    (found,) = mistakes(off)
    assert (found.fault, found.subject) == ("range-mismatch", "p1")
    assert "nameplate" in found.words


def test_the_site_is_sound() -> None:
    assert checked_site().loops["stair"].combine == "average"
