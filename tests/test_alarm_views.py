"""Alarms as other programs see them."""

from __future__ import annotations

from gateway.alarm import actions as do
from gateway.alarm_views import AlarmView, alarm_view
from gateway.annunciator import Annunciator, NoLogbook
from gateway.diagnose.findings import Finding
from gateway.views import iso, number
from tests.alarm.alarm_plant import START, Watch, finding, plant

HERE = plant(1, 2, limits={"low": 20, "high": 80})
WIRE, EFFECT = "open-circuit:p0-0a", "setpoint-not-held:l0-0"


def view(watch: Watch, alarm: str, behind: Finding | None = None) -> AlarmView:
    alarms = Annunciator(watch.alarms, NoLogbook())
    return alarm_view(alarms, alarms.of(alarm), behind)


def test_a_cause_with_what_it_explains() -> None:
    watch = Watch(HERE)
    wire = finding(HERE, "open-circuit", "p0-0a", at=5)
    watch.wait(10, [wire])
    watch.wait(20, [finding(HERE, "setpoint-not-held", "l0-0", at=12)])
    cause, effect = view(watch, WIRE, wire), view(watch, EFFECT)
    assert (cause.state, cause.shown, cause.active) == ("active unacknowledged", True, True)
    assert (cause.onset, cause.changed) == (iso(START + 5), iso(START + 5))
    assert (cause.loops, cause.finding, cause.cause) == (["l0-0"], wire.id, None)
    (below,) = cause.consequences
    assert (below.id, below.active, below.state) == (EFFECT, True, "suppressed by design")
    assert (effect.state, effect.shown, effect.active) == ("suppressed by design", False, True)
    assert (effect.cause, effect.consequences) == (WIRE, [])


def test_what_to_check_comes_from_the_finding_while_it_is_open() -> None:
    watch = Watch(HERE)
    hunting = finding(HERE, "hunting", "l0-0", at=5)
    watch.wait(10, [hunting])
    assert view(watch, "hunting:l0-0", hunting).next_check == hunting.next_check
    general = view(watch, "hunting:l0-0").next_check
    # Which of the two is not known then.
    assert "All transducers see it" in general
    assert "One transducer only sees it" in general
    assert "{" not in general
    assert "[" not in general


def test_in_general_no_number_is_said_to_be_unknown() -> None:
    """An alarm that is over has no finding, but still a signal: 4-20 mA here."""
    for fault in ("open-circuit", "unit-mismatch", "range-mismatch", "short-circuit"):
        general = view(Watch(HERE), f"{fault}:p0-0a").next_check
        assert "not known" not in general
        assert "volt" not in general
        assert general.count("Measure") <= 1
    assert "Read the unit of this input" in view(Watch(HERE), "unit-mismatch:p0-0a").next_check


def test_at_rest_there_is_no_time_and_nothing_asks_for_attention() -> None:
    rest = view(Watch(HERE), WIRE)
    assert (rest.state, rest.shown, rest.active, rest.acknowledged) == (
        "normal", False, False, True,
    )  # fmt: skip
    assert (rest.onset, rest.changed, rest.finding) == (None, None, None)
    assert rest.message == Watch(HERE).alarms.of(WIRE).definition.message


def test_what_waits_for_a_person() -> None:
    watch = Watch(HERE)
    watch.wait(10, [finding(HERE, "open-circuit", "p0-0a", at=5)])
    assert not view(watch, WIRE).acknowledged
    watch.do(do.acknowledge(WIRE, "Ada"))
    assert view(watch, WIRE).acknowledged
    watch.wait(80, [finding(HERE, "open-circuit", "p0-0a", "cleared", at=15, since=5)])
    watch.wait(90, [finding(HERE, "open-circuit", "p0-0a", at=85)])
    watch.wait(180, [finding(HERE, "open-circuit", "p0-0a", "cleared", at=95, since=85)])
    gone = view(watch, WIRE)
    assert (gone.state, gone.active, gone.acknowledged) == (
        "returned unacknowledged", False, False,
    )  # fmt: skip
    watch.do(do.out_of_service("transducer", "p0-0a", "Ben", "calibration", START + 900))
    assert view(watch, WIRE).acknowledged, "what is gone and hidden waits for nobody"


def test_work_is_a_function_check_with_person_reason_and_time() -> None:
    watch = Watch(HERE)
    watch.wait(10, [finding(HERE, "open-circuit", "p0-0a", at=5)])
    watch.do(do.shelve(WIRE, "Ada", "spare part", START + 600))
    shelved = view(watch, WIRE)
    assert (shelved.shown, shelved.active, shelved.function_check) == (False, True, False)
    assert shelved.shelved
    assert (shelved.shelved.actor, shelved.shelved.until) == ("Ada", iso(START + 600))
    watch.do(do.out_of_service("transducer", "p0-0a", "Ben", "calibration", START + 900))
    out = view(watch, WIRE)
    assert (out.state, out.function_check, out.shown) == ("out of service", True, False)
    assert out.out_of_service
    assert out.out_of_service.reason == "calibration"
    assert out.shelved, "it lies under it"


def test_zero_has_no_minus() -> None:
    """A float register may hold -0.0 (IEEE 754); nobody wants to read it."""
    assert str(number(-0.0)) == "0.0"
    assert number(float("nan")) is number(float("inf")) is None
