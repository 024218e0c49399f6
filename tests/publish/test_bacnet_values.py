"""What the analog inputs show at a snapshot."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from gateway.diagnose.findings import Finding, Status
from gateway.live import Snapshot
from gateway.measure.measure import Measure
from gateway.measure.quality import Reason
from gateway.publish.bacnet_alarms import Terms
from gateway.publish.bacnet_codes import RELIABILITY
from gateway.publish.bacnet_inputs import inputs
from gateway.publish.bacnet_values import GRACE_S, Shown, Values
from tests.publish.bacnet_site import of_loop, opened, plant
from tests.publish.made import START, snapshot
from tests.sites import block, counts_for

HERE = plant()
INPUTS = inputs(HERE, {"stair": Terms(2.5, 15.0)})
P1, P2, COMBINED, FEEDBACK, SETPOINT, OUTPUT = range(6)
GOOD = [0] * 6


def follow(*snapshots: Snapshot) -> Shown:
    values = Values(HERE, INPUTS)
    for one in snapshots:
        shown = values.examine(one)
    return shown


def second(
    number: int, *findings: Finding, reason: Reason = Reason.NO_COMMUNICATION, **columns: float
) -> Snapshot:
    """A snapshot with points as given; NaN is a failed read."""
    given: dict[str, Any] = {"c1": counts_for(50), "c2": counts_for(50), "output": 41.5}
    given |= {"feedback": 40.0, "setpoint": 50.0} | columns
    made = block(
        HERE, {f"a.{k}": [v] for k, v in given.items()}, start=START + number, reason=reason
    )
    return Snapshot(number, START + number, Measure(HERE).examine(made), findings, {})


def names(shown: Shown) -> list[str]:
    words = {number: name for name, number in RELIABILITY.items()}
    return [words[number] for number in shown.reliabilities]


def test_values_are_in_the_unit_of_each_input() -> None:
    shown = follow(second(0))
    # Half of -25..100 Pa; half of 0..1 inH2O; their mean in Pa with the conventional inch
    # (NIST SP 811: 249.08891 Pa); feedback 40 Pa; a set point of 50 inH2O; 41.5 Hz.
    mean = (37.5 + 249.08891 / 2) / 2
    expected = [37.5, 0.5, mean, 40.0, 50 * 249.08891, 41.5]
    assert shown.values == pytest.approx(expected)
    assert shown.reliabilities == GOOD
    assert shown.causes == {}


def test_an_unknown_value_stays_at_the_last_known_one() -> None:
    nan = float("nan")
    shown = follow(second(0), second(1, c1=nan, feedback=nan))
    assert shown.values[P1] == pytest.approx(37.5)
    assert shown.values[FEEDBACK] == pytest.approx(40.0)
    bad = "communication-failure"
    assert names(shown) == [bad, "no-fault-detected", bad, bad] + ["no-fault-detected"] * 2


def test_before_the_first_reading() -> None:
    nan = float("nan")
    first = second(0, c1=nan, c2=nan, reason=Reason.NOT_READ_YET)
    late = second(60, c1=nan, c2=nan, reason=Reason.NOT_READ_YET)
    shown = follow(first, late)
    assert shown.values[:3] == [0.0] * 3
    assert shown.reliabilities[:3] == [RELIABILITY["communication-failure"]] * 3
    assert shown.causes == {}, "nobody is told that a gateway has just been started"


@pytest.mark.parametrize(
    ("reason", "name"),
    [
        (Reason.NO_COMMUNICATION, "communication-failure"),
        (Reason.BAD_REPLY, "communication-failure"),
        (Reason.INVALID_VALUE, "unreliable-other"),
    ],
)
def test_a_failed_read_by_its_reason(reason: Reason, name: str) -> None:
    shown = follow(second(0, c2=float("nan"), output=float("nan"), reason=reason))
    assert [names(shown)[k] for k in (P1, P2, COMBINED, OUTPUT)] == ["no-fault-detected"] + [
        name
    ] * 3


def test_a_failure_signal_is_unreliable_at_once_and_an_event_after_the_grace() -> None:
    values = Values(HERE, INPUTS)
    for k in range(6):
        shown = values.examine(second(k, c1=counts_for(-20)))
        assert names(shown)[P1] == "unreliable-other"
        assert bool(shown.causes) == (k >= GRACE_S), k
    (cause,) = shown.causes.values()
    assert (cause.since, cause.fault) == (START, "")
    assert "signal below the measuring band" in cause.message
    for k in range(6, 10):  # one good reading, and the grace begins again
        shown = values.examine(second(k, c1=counts_for(50 if k == 6 else -20)))
        assert shown.causes == {}


def test_a_finding_says_more_than_the_quality() -> None:
    shown = follow(second(0, opened(since=START - 3), c1=counts_for(-20)))
    assert names(shown)[:3] == ["open-loop", "no-fault-detected", "unreliable-other"]
    (cause,) = shown.causes.values()
    assert list(shown.causes) == [P1]
    assert (cause.fault, cause.subject, cause.since) == ("open-circuit", "p1", START - 3)


def test_the_gravest_finding_counts_then_the_cause() -> None:
    mild = opened(fault="zero-drift", status=Status.MAINTENANCE_REQUIRED, title="drift")
    late = opened(fault="frozen", title="frozen")
    shown = follow(second(0, late, mild, opened()))
    assert names(shown)[P1] == "open-loop"
    assert shown.causes[P1].fault == "open-circuit"
    assert follow(second(0, mild, late)).causes[P1].fault == "frozen"


def test_a_failed_member_with_a_good_signal_spoils_the_loops_value_only() -> None:
    frozen = opened(fault="frozen")
    shown = follow(second(0, frozen))
    assert names(shown)[:3] == ["unreliable-other", "no-fault-detected", "unreliable-other"]
    assert list(shown.causes) == [P1], "the loop has no event of its own"
    drifting = opened(fault="zero-drift", status=Status.MAINTENANCE_REQUIRED)
    assert names(follow(second(0, drifting)))[COMBINED] == "no-fault-detected"


def test_a_finding_about_the_loop_is_that_of_its_combined_pressure() -> None:
    shown = follow(second(0, of_loop()))
    assert (
        names(shown) == ["no-fault-detected"] * 2 + ["unreliable-other"] + ["no-fault-detected"] * 3
    )
    assert shown.causes[COMBINED].fault == "disagreement"


def test_a_silent_controller_is_an_event_of_its_transducers() -> None:
    nan = float("nan")
    silent = replace(
        opened(), fault="no-communication", kind="controller", subject="a", transducer=None
    )
    everything: Any = dict.fromkeys(("c1", "c2", "feedback", "setpoint", "output"), nan)
    shown = follow(second(0, silent, **everything))
    assert names(shown) == ["communication-failure"] * 6
    assert sorted(shown.causes) == [P1, P2]


def test_an_unknown_fault_is_unreliable() -> None:
    shown = follow(second(0, opened(fault="of-tomorrow")))
    assert names(shown)[P1] == "unreliable-other"


def test_nan_output_without_a_reason_is_not_shown_as_good() -> None:
    now = second(1)
    spoiled = replace(now.readings, output=np.array([[np.nan]]))
    shown = follow(second(0), replace(now, readings=spoiled))
    assert names(shown)[OUTPUT] == "unreliable-other"
    assert shown.values[OUTPUT] == pytest.approx(41.5)


def test_a_loop_without_points_has_its_pressures_only() -> None:
    bare = plant()
    loops = {"stair": bare.loops["stair"].model_copy(update={"output": None, "setpoint": None})}
    here = bare.model_copy(update={"loops": loops})
    made = inputs(here, {"stair": Terms(2.5, 15.0)})
    assert [one.name for one in made][2:] == ["stair combined pressure", "stair reported feedback"]
    shown = Values(here, made).examine(snapshot(here))
    assert len(shown.values) == 4
