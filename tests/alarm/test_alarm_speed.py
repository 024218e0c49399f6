"""A row for 2,000 transducers must leave the gateway time for everything else."""

from __future__ import annotations

from statistics import median
from time import perf_counter

import pytest

from gateway.alarm.machine import Alarms
from gateway.measure.measure import Measure
from tests.alarm.alarm_plant import START, finding, plant, quiet

ROW_S = 0.020
"""Our own bound."""


@pytest.mark.alone
@pytest.mark.slow
def test_a_row_of_2000_transducers_takes_less_than_20_ms() -> None:
    here = plant(40, 25, limits={"low": 20, "high": 80}, door=True)
    assert len(here.transducers) == 2000
    measure = Measure(here)
    alarms = Alarms(here, measure.columns)
    spent = []
    for k in range(60):
        readings = measure.examine(quiet(here, 1, start=START + k))
        names = list(here.transducers)[k : k + 5] if k > 30 else []
        events = [finding(here, "open-circuit", name, at=k) for name in names]
        start = perf_counter()
        alarms.examine(readings, events)
        spent.append(perf_counter() - start)
    assert median(spent[1:30]) < ROW_S
    assert median(spent[31:]) < ROW_S
