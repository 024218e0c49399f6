"""A week of the demo plant without a fault, doors and weather included: no alarm."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from gateway.alarm.machine import Alarms
from gateway.alarm.states import State
from gateway.alarm.transition import Transition
from gateway.demo.history import simulate
from gateway.diagnose.diagnose import Diagnosis
from gateway.measure.measure import Measure
from gateway.plant.sitefile import read_site

EXAMPLE = Path(__file__).parents[2] / "config" / "harbour-archive.toml"
DAY_ROWS = 8640


@pytest.mark.slow
@pytest.mark.timeout(900)
def test_a_week_without_a_fault_has_no_alarm() -> None:
    here = read_site(EXAMPLE)
    week = simulate(here, seed=11, seconds=7 * 86_400, interval_s=10.0)
    measure = Measure(here)
    diagnosis, alarms = Diagnosis(here, measure.columns), Alarms(here, measure.columns)
    said: list[Transition] = []
    for first in range(0, len(week), DAY_ROWS):
        readings = measure.examine(week.rows(first, first + DAY_ROWS))
        found = diagnosis.examine(readings)
        said += alarms.examine(readings, found, diagnosis.open)
    shown = [t for t in said if t.after not in (State.NORMAL, State.SUPPRESSED)]
    assert shown == []
    # The fans stand now and then: the rule is what keeps the limits quiet, and it is journalled.
    assert {t.reason for t in said if t.event == "suppress"} == {"fan off"}
    assert np.isfinite(week.values).any()


def told_of_a_dead_input(seconds: float) -> tuple[list[str], tuple[str, ...]]:
    """What asks for attention, in order, and what is listed under the gravest in the end.

    A wire without a live zero breaks after 1200 s; the minimum follows it and the fan drives up.
    """
    here = read_site(EXAMPLE)
    broken = (1200.0, "open-circuit", "dp-301", None)
    history = simulate(here, seed=3, seconds=seconds, faults=[broken])
    measure = Measure(here)
    diagnosis, alarms = Diagnosis(here, measure.columns), Alarms(here, measure.columns)
    readings = measure.examine(history)
    said = alarms.examine(readings, diagnosis.examine(readings), diagnosis.open)
    shown = [one for one in alarms.standing() if one.shown]
    return [t.alarm for t in said if t.annunciates], shown[0].consequences


@pytest.mark.slow
@pytest.mark.timeout(300)
def test_one_broken_wire_in_the_demo_is_one_alarm_with_its_consequences() -> None:
    alarms, consequences = told_of_a_dead_input(1400)
    assert alarms == ["open-circuit:dp-301"]
    assert "pressure-high:ahu-1-supply" in consequences


@pytest.mark.slow
@pytest.mark.timeout(300)
def test_it_stays_one_alarm_for_as_long_as_the_wire_is_broken() -> None:
    alarms, _ = told_of_a_dead_input(2400)
    assert alarms == ["open-circuit:dp-301"]


@pytest.mark.slow
@pytest.mark.timeout(300)
@pytest.mark.parametrize("wire", ["dp-201", "dp-301", "dp-302", "dp-402"])
def test_a_restart_while_a_wire_is_broken_says_nothing_new(wire: str) -> None:
    here = read_site(EXAMPLE)
    history = simulate(here, seed=5, seconds=2400, faults=[(900.0, "open-circuit", wire, None)])
    measure = Measure(here)
    diagnosis, alarms = Diagnosis(here, measure.columns), Alarms(here, measure.columns)
    readings = measure.examine(history.rows(0, 1200))
    said = alarms.examine(readings, diagnosis.examine(readings), diagnosis.open)
    assert [t.alarm for t in said if t.annunciates] == [f"open-circuit:{wire}"]
    measure = Measure(here)
    diagnosis = Diagnosis(here, measure.columns, diagnosis.open, diagnosis.picture)
    alarms = Alarms(here, measure.columns, alarms.stored)
    readings = measure.examine(history.rows(1204, 2400))
    assert alarms.examine(readings, diagnosis.examine(readings), diagnosis.open) == ()
    assert [one.definition.id for one in alarms.standing() if one.shown] == [f"open-circuit:{wire}"]
