"""What a loop did while a transducer was off, against figures worked out by hand; due dates."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest

from gateway.loopcheck.due import due_dates, in_words
from gateway.loopcheck.lookback import History, out_of_tolerance, told
from gateway.loopcheck.run import Run
from gateway.loopcheck.steps import Step
from tests.loopcheck.made import begun, checked_site, exact, plan, stair, whole

NAN = float("nan")
LIMITS = {"low": 25.0, "high": 60.0}


def off(step: Step, key: str) -> float:
    """P1 reads 5 Pa too high, and a tenth of what is above -25 Pa more."""
    pressure = exact(step, key)
    return pressure + 5.0 + 0.1 * (pressure + 25) if key == "p1" else pressure


def found(combine: str = "average") -> Run:
    facts = stair(combine)
    loop = facts.loop.model_copy(update={"limits": facts.loop.limits.model_copy(update=LIMITS)})
    facts = facts.model_copy(update={"loop": loop})
    return whole(begun(plan(transducers=("p1", "p2"), scheme="three points"), facts), ours=off)


def history(
    p1: list[float], p2: list[float], running: list[float] | None = None, since: float | None = 0.0
) -> History:
    share = np.array(running if running is not None else [1.0] * len(p1))
    members = {"p1": np.array(p1), "p2": np.array(p2)}
    return History(3600.0, members, share, since, 0.0)


def test_only_what_is_out_of_tolerance_is_looked_back_on() -> None:
    assert list(out_of_tolerance(found())) == ["p1"]
    assert out_of_tolerance(whole(begun())) == {}


def test_an_average_held_too_low() -> None:
    """P1 shows 51.5 at a true 40: with p2 at 40 the loop looked like 45.75 and was 40."""
    run = found()
    seen = told(run, out_of_tolerance(run), history([51.5] * 4, [40.0] * 4))
    assert seen["true_mean"] == pytest.approx(40, abs=0.05)
    assert seen["shown_mean"] == pytest.approx(45.75)
    assert (seen["hours"], seen["hours_below"], seen["hours_above"]) == (4, 0, 0)
    assert "really 40" in seen["words"]
    assert "45.75 Pa was shown" in seen["words"]


def test_hours_beyond_limits_really_and_as_it_looked() -> None:
    """A minimum: true p1 of 20 shows 29.5, above the low limit of 25."""
    run = found("minimum")
    seen = told(run, out_of_tolerance(run), history([29.5, 29.5, 51.5], [30.0, 30.0, 40.0]))
    assert seen["hours_below"] == 2
    assert seen["hours_looked_below"] == 0
    assert "below 25 Pa for 2 h, where it looked so for 0 h" in seen["words"]


def test_two_years_of_hours_are_told_as_people_write_them() -> None:
    """730 days are 17 520 h: four digits that count, and no power of ten."""
    run = found()
    seen = told(run, out_of_tolerance(run), history([51.5] * 17_520, [40.0] * 17_520))
    assert "in 17520 h of running" in seen["words"]
    assert "e+" not in seen["words"]


def test_hours_without_fan_or_without_record_do_not_count() -> None:
    run = found()
    seen = told(
        run, out_of_tolerance(run),
        history([51.5, 0.0, NAN, 51.5], [40.0, 0.0, 40.0, 40.0], [1.0, 0.0, 1.0, NAN]),
    )  # fmt: skip
    assert seen["hours"] == 2, "running that is not known counts"


def test_no_history_is_told_as_such() -> None:
    run = found()
    seen = told(run, out_of_tolerance(run), history([], [], [], None))
    assert seen["hours"] == 0
    assert "no history since the history begins: what the loop did is not known" in seen["words"]


def at(day: str) -> float:
    return datetime.fromisoformat(day).replace(tzinfo=UTC).timestamp()


def test_due_by_the_last_check_or_the_calibration() -> None:
    site = checked_site(calibrated="2026-01-01", check_every_days=365)
    never = due_dates(checked_site(), {}, at("2030-01-01"))
    assert never == [], "nobody said how often"
    first, second = due_dates(site, {"p1": at("2026-06-01"), "p2": None}, at("2027-01-01"))
    assert (first.transducer, first.at, first.overdue) == ("p2", at("2027-01-01"), True)
    assert (second.transducer, second.at, second.overdue) == ("p1", at("2027-06-01"), False)
    assert in_words([first, second]) == "p2 since 2027-01-01"


def test_what_was_never_checked_is_due_at_once() -> None:
    site = checked_site(calibrated=None, check_every_days=30)
    due = due_dates(site, {"p1": at("2026-06-01")}, at("2026-06-15"))
    assert [(one.transducer, one.overdue) for one in due] == [("p2", True), ("p1", False)]
    assert in_words(due) == "p2 (never checked)"
