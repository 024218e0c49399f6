"""When a reading stands still, and what is said while it does not."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.loopcheck.plan import Facts
from gateway.loopcheck.reading import recorded
from gateway.loopcheck.run import Measure
from gateway.loopcheck.settling import Row, near, settle
from gateway.loopcheck.steps import Step
from tests.loopcheck.made import ADA, START, begun, now, plan, row, rows, stair, whole

ABOUT = stair()
BAND_PA = 0.2 / 100 * 125


def step(key: str = "as-found/p1/1-up-50") -> Step:
    return begun(plan(combined=True)).step(key)


def why(found: list[Row], before: dict[str, Row] | None = None, about: Facts = ABOUT) -> str:
    return settle(about, step(), found, before or {}).why


def test_a_still_reading_is_ready() -> None:
    found = settle(ABOUT, step(), rows(6, lambda _: {"p1": 37.5, "p2": 3.0}), {})
    assert found.ready
    assert len(found.rows) == 6


def test_nothing_yet_and_too_few() -> None:
    assert why([]) == "0 of 5 readings, 0 of 5 s"
    assert why(rows(4, lambda _: {"p1": 37.5, "p2": 0})) == "4 of 5 readings, 3 of 5 s"
    quick = [row(START + 0.2 * k, {"p1": now(37.5), "p2": now(0)}) for k in range(10)]
    assert why(quick) == "5 of 5 readings, 2 of 5 s"


def test_slow_polls_need_their_number() -> None:
    slow = [row(START + 10 * k, {"p1": now(37.5), "p2": now(0)}) for k in range(5)]
    assert why(slow[:4]) == "4 of 5 readings, 5 of 5 s"
    assert why(slow) == ""


def test_a_rising_and_a_falling_reading_say_so() -> None:
    assert "p1 still rises: by 4 % of span in 5 s" in why(
        rows(9, lambda k: {"p1": 20 + k, "p2": 0})
    )
    assert "p1 still falls" in why(rows(9, lambda k: {"p1": 20 - k, "p2": 0}))


def test_a_restless_reading_says_so() -> None:
    restless = rows(9, lambda k: {"p1": 37.5 + (1 if k % 2 else -1), "p2": 0})
    assert why(restless) == "p1 goes to and fro by 1.6 % of span; still means 0.2 %"
    assert why(restless, about=stair(tolerance_pct_span=10)) == ""


def test_after_a_while_the_person_is_asked() -> None:
    def restless(k: int) -> dict[str, float]:
        return {"p1": 10 + (1 if k % 2 else -1), "p2": 34.0}

    assert not settle(ABOUT, step(), rows(9, restless), {}).asks
    late = settle(ABOUT, step(), rows(30, restless), {})
    assert late.asks
    assert "to and fro" in late.why
    before = {"p1": rows(1, lambda _: {"p1": 9.0, "p2": 3.0})[0]}
    other = settle(ABOUT, step(), rows(30, restless), before)
    assert "p2 has moved instead" in other.why


def test_no_reading_says_why() -> None:
    found = rows(9, lambda _: {"p1": 37.5, "p2": 0})
    gone = row(START + 9, {"p1": now(np.nan, bad="the controller does not answer"), "p2": now(0)})
    last = settle(ABOUT, step(), [*found, gone], {})
    assert (last.why, last.asks) == ("no reading of p1: the controller does not answer", True)
    back = row(START + 10, {"p1": now(37.5), "p2": now(0)})
    assert "a moment ago" in why([*found, gone, back])


def test_a_controller_that_lags_behind_is_waited_for() -> None:
    found = [row(START + k, {"p1": now(37.5, 20 + 2.0 * k), "p2": now(0)}) for k in range(8)]
    assert why(found).startswith("p1 stands still, but the controller's own value still rises")


def test_a_value_scaled_far_too_large_may_move_as_much_more() -> None:
    def shown(k: int) -> float:
        return 249.0 * (37.5 + (0.02 if k % 2 else -0.02))

    found = [row(START + k, {"p1": now(37.5, shown(k)), "p2": now(0)}) for k in range(8)]
    assert why(found) == ""


def test_an_input_that_has_not_moved_is_asked_about() -> None:
    before = {"p1": rows(1, lambda _: {"p1": 6.25, "p2": 3.0})[0]}
    still = settle(ABOUT, step(), rows(8, lambda _: {"p1": 6.3, "p2": 3.0}), before)
    assert still.asks
    assert still.why == "p1 still reads 6.3 Pa, as before: is 37.5 Pa on it, and nothing shut?"
    assert still.rows, "it can be taken all the same"
    other = settle(ABOUT, step(), rows(8, lambda _: {"p1": 6.3, "p2": 34.0}), before)
    assert "p2 has moved instead" in other.why
    wrong = settle(ABOUT, step(), rows(8, lambda _: {"p1": 18.0, "p2": 3.0}), before)
    assert wrong.ready, "a wrong range moves too"
    far = settle(ABOUT, step(), rows(8, lambda _: {"p1": -20.0, "p2": 3.0}), before)
    assert far.asks
    assert far.why == (
        "p1 stands still at -20 Pa, far from 37.5 Pa: is that on it, and nothing shut?"
    )
    assert far.rows, "it can be taken all the same"
    rough = stair(tolerance_pct_span=20)
    assert settle(rough, step(), far.rows, before).ready


def test_near_what_was_asked_for() -> None:
    assert near(ABOUT, step(), rows(1, lambda _: {"p1": 40.0, "p2": 0})[0])
    assert not near(ABOUT, step(), rows(1, lambda _: {"p1": 50.0, "p2": 0})[0])


@given(st.integers(0, 10_000), st.floats(0, 2))
def test_what_is_taken_moves_less_than_the_band(seed: int, noise: float) -> None:
    rng = np.random.default_rng(seed)
    walk = 37.5 + np.cumsum(rng.normal(0, 0.3 * noise, 12)) + rng.normal(0, noise, 12)
    found = settle(ABOUT, step(), rows(12, lambda k: {"p1": walk[k], "p2": 0}), {})
    if found.ready:
        taken = [one.inputs["p1"].pressure for one in found.rows]
        assert max(taken) - min(taken) <= BAND_PA + 1e-9


def test_a_reading_is_the_mean_of_its_rows() -> None:
    found = [
        row(START + k, {"p1": now(37.5 + 0.01 * k, 37.0), "p2": now(np.nan, bad="gone")},
            feedback=20.0, output=40.0 - k, running=True)
        for k in range(6)
    ]  # fmt: skip
    one = recorded(step(), {"p1": 37.6}, found[1:], found, person=ADA, forced="too restless")
    assert one.applied == {"p1": 37.6}
    assert one.seen["p1"].pressure == pytest.approx(37.53)
    assert one.seen["p1"].controller_value == 37.0
    assert one.seen["p1"].deviation == pytest.approx(np.std([1, 2, 3, 4, 5], ddof=1) / 100)
    assert "p2" not in one.seen
    assert (one.readings, one.seconds, one.forced) == (5, 4.0, "too restless")
    assert (one.loop.feedback, one.loop.setpoint, one.loop.output_moved) == (20.0, None, -5.0)


def test_no_rows_no_reading() -> None:
    with pytest.raises(ValueError, match="no rows"):
        recorded(step(), {}, [], [], person=ADA)


def test_every_step_of_a_whole_check_can_be_asked_for() -> None:
    run = begun(plan(combined=True, transducers=("p1", "p2")))
    assert isinstance(run.task, Measure)
    assert len(whole(run).recorded) == 2 * 10 + 5
