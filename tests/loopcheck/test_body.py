"""Judgements and the record: as found, as left, both sources, what is left open."""

from __future__ import annotations

import json
from typing import Any

import pytest

from gateway.loopcheck.acceptance import Rule, Verdict
from gateway.loopcheck.body import as_found, body, whole
from gateway.loopcheck.events import Skipped
from gateway.loopcheck.judging import Judgement, judgement
from gateway.loopcheck.mistakes import mistakes
from gateway.loopcheck.moves import advance
from gateway.loopcheck.plan import Reference
from gateway.loopcheck.run import Measure, Run
from gateway.loopcheck.steps import Part, Step
from tests.loopcheck.made import ADA, START, begun, exact, plan, stair
from tests.loopcheck.made import whole as run_whole
from tests.loopcheck.test_characteristics import DOWN, POINTS, UP

SPAN = 125.0


def trap(step: Step, key: str) -> float:
    """Errors of the constructed example: small at the ends, too large in the middle, going down."""
    if step.kind != "point" or key not in step.apply:
        return exact(step, key)
    side = UP if step.direction == "up" else DOWN
    error = side[(step.cycle - 1) % 3][POINTS.index(step.point)]
    return step.apply[key] + error / 100 * SPAN


def judged(run: Run, part: Part = Part.AS_FOUND) -> Judgement:
    found = judgement(run, part, "p1", "input")
    assert found
    return found


def test_the_two_point_trap() -> None:
    about = stair(tolerance_pct_span=0.51)  # one reading lies on 0.5 itself
    five = judged(run_whole(begun(plan(cycles=3), about), ours=trap))
    assert five.verdict is Verdict.FAIL
    assert five.figures.highest_error == pytest.approx(0.72)
    assert five.figures.hysteresis == pytest.approx(0.25)
    assert [p.verdict for p in five.points].count(Verdict.FAIL) == 6
    ends = [p for p in five.points if p.step.point in (0, 100)]
    assert {p.verdict for p in ends} == {Verdict.PASS}


def test_uncertainty_ratio_and_rule() -> None:
    found = judged(run_whole(begun()))
    assert found.expanded == pytest.approx(100 * 0.1 / SPAN, rel=0.01)
    assert found.ratio == pytest.approx(12.5, rel=0.01)
    assert found.rule is Rule.SIMPLE
    coarse = Reference(expanded=0.9, unit="Pa")
    guarded = judged(run_whole(begun(plan(reference=coarse)), ours=lambda s, k: exact(s, k) + 0.5))
    assert (guarded.rule, guarded.verdict) == (Rule.GUARDED, Verdict.NOT_PROVED)
    nothing = judged(run_whole(begun(plan(reference=Reference()))))
    assert (nothing.ratio, nothing.rule, nothing.verdict) == (None, Rule.SIMPLE, Verdict.PASS)


def test_what_the_reference_showed_counts_not_what_was_asked_for() -> None:
    run = run_whole(begun(plan(scheme="zero")))
    read = run.recorded["as-found/p1/zero"].model_copy(update={"applied": {"p1": -0.5}})
    found = judged(run.__class__(**{**vars(run), "recorded": {read.step: read}}))
    assert found.points[0].error == pytest.approx(0.4)


def off(step: Step, key: str) -> float:
    return exact(step, key) + (2.5 if key == "p1" else 0)


def test_adjusted_and_good_afterwards() -> None:
    run = run_whole(begun(plan(transducers=("p1", "p2"))), ours=off, adjusted={"p1": exact})
    assert (as_found(run), whole(run, mistakes(run))) == (Verdict.FAIL, Verdict.PASS)
    made: Any = body(run, "x")
    first, second = made["transducers"]
    assert (first["as_found"]["input"]["verdict"], first["as_left"]["input"]["verdict"]) == (
        "fail", "pass",
    )  # fmt: skip
    assert first["adjustments"][0]["notes"] == "zero turned"
    assert (second["adjusted"], second["as_left"]) == (False, None)
    assert first["as_found"]["input"]["adjust"]
    zero = first["as_found"]["input"]["line"]["zero"]
    assert zero["error"] == pytest.approx(2.0, abs=0.01)
    assert zero["significant"]
    proposed = first["as_found"]["input"]["proposal"]
    assert [proposed["range_low"], proposed["range_high"]] == pytest.approx([-27.5, 97.5], abs=0.02)
    assert proposed["zero_signal"] == pytest.approx(0.32, abs=0.002)


def test_not_adjusted_as_left_is_as_found() -> None:
    run = run_whole(begun(), ours=off)
    assert judged(run, Part.AS_LEFT).points == judged(run).points
    assert whole(run, ()) is Verdict.FAIL


def test_a_controller_that_shows_something_else_fails_too() -> None:
    run = run_whole(begun(), theirs=lambda _k, pressure: pressure + 2.0)
    assert judged(run).verdict is Verdict.PASS
    theirs = judgement(run, Part.AS_FOUND, "p1", "controller")
    assert theirs
    assert theirs.verdict is whole(run, ()) is Verdict.FAIL


def test_a_skipped_step_proves_nothing() -> None:
    run = begun(plan(scheme="three points"))
    assert isinstance(run.task, Measure)
    run = advance(run, Skipped(time=START, person=ADA, step=run.task.step.key, reason="no pump"))
    run = run_whole(run)
    assert (judged(run).skipped, whole(run, ())) == (1, Verdict.NOT_PROVED)


def test_the_record_is_plain_data_and_the_same_every_time() -> None:
    run = run_whole(
        begun(plan(transducers=("p1", "p2"), combined=True)), ours=off, adjusted={"p1": exact}
    )
    made = body(run, "stair-1", look_back=[{"transducer": "p1"}])
    text = json.dumps(made, allow_nan=False, sort_keys=True)
    assert json.loads(text) == made
    assert (
        json.dumps(body(run, "stair-1", look_back=[{"transducer": "p1"}]), sort_keys=True) == text
    )
    assert made["verdict"] == "pass"
    assert made["as_found_verdict"] == "fail"
    assert len(made["combined"]["lines"]) == 5
    assert len(made["combined"]["proofs"]) == 6
    assert any("licensed practice" in words for words in made["cautions"])
    assert made["reference"]["identity"] == "Calibrator 7"


CARD = {"counts": [0, 25000], "electrical": [0, 20], "unit": "mA", "clamps": True}
"""Stops at 20 mA: it shows 100 % although the device sends more."""


def at_the_end(error: float, bend: float = 0.0, **wanted: Any) -> Judgement:
    """A transducer that reads so many Pa too high, at the upper end so many more, on that card."""

    def ours(step: Step, key: str) -> float:
        more = error + (bend if step.point == 100 else 0.0)
        return min(100.0, exact(step, key) + more)

    return judged(run_whole(begun(plan(**wanted), stair(input=CARD)), ours=ours))


def test_the_end_of_an_input_hides_an_error_and_is_left_out_of_the_line() -> None:
    run = run_whole(begun(about=stair(input=CARD)), ours=lambda s, k: min(100.0, exact(s, k) + 1.0))
    found = judged(run)
    assert [p.step.point for p in found.points if p.limited] == [100.0]
    assert found.line
    assert (found.line.zero.error, found.line.span.error) == pytest.approx((0.8, 0.0), abs=1e-6)
    made: Any = body(run, "x")
    points = made["transducers"][0]["as_found"]["input"]["points"]
    (end,) = [p for p in points if p["limited"]]
    assert (end["point"], end["error"]) == (100.0, 0.0)
    assert end["beyond"]["error"] == pytest.approx(0.8, abs=1e-6)


def test_nothing_passes_at_the_end_of_an_input_by_what_it_reads() -> None:
    """It passes by the line of the others, with its uncertainty; the tolerance is 1 % of span."""
    (end,) = [p for p in at_the_end(0.5).points if p.limited]
    assert (end.error, end.verdict) == (0.0, Verdict.PASS)
    assert end.beyond
    assert end.beyond.error == pytest.approx(0.4, abs=1e-6)
    close = at_the_end(1.2)
    assert close.verdict is Verdict.NOT_PROVED, "0.96 % and the uncertainty are more than 1 %"
    assert [p.step.point for p in close.points if p.verdict is Verdict.NOT_PROVED] == [100.0]
    (end,) = [p for p in at_the_end(1.5).points if p.limited]
    assert end.verdict is Verdict.FAIL, "1.2 % at every other point"


def test_the_end_of_an_input_alone_proves_nothing() -> None:
    found = at_the_end(5.0, scheme="one point", point=100)
    assert [(p.error, p.verdict) for p in found.points] == [(0.0, Verdict.NOT_PROVED)]
    assert found.verdict is Verdict.NOT_PROVED


def test_too_low_at_the_end_of_an_input_still_fails() -> None:
    """A card that ends below what was applied: this error does show."""
    low = {"counts": [0, 23750], "electrical": [0, 19], "unit": "mA", "clamps": True}
    run = run_whole(begun(about=stair(input=low)), ours=lambda s, k: min(92.1875, exact(s, k)))
    (end,) = [p for p in judged(run).points if p.limited]
    assert end.error == pytest.approx(-6.25)
    assert end.verdict is Verdict.FAIL
