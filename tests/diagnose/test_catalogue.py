"""The catalogue is whole, and its order lets causes block consequences."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from gateway.diagnose.catalogue.entry import Entry
from gateway.diagnose.catalogue.faults import CATALOGUE
from gateway.diagnose.diagnose import detectors, judges
from gateway.diagnose.minutes import Gather
from gateway.diagnose.picture import blank
from gateway.measure.columns import columns
from gateway.measure.measure import Measure
from tests.sites import block, counts_for, site

# ASHRAE 135 Reliability enumeration, as listed by bacpypes3 0.0.110 (names with hyphens).
RELIABILITY = {
    "no-fault-detected", "no-sensor", "over-range", "under-range", "open-loop", "shorted-loop",
    "no-output", "unreliable-other", "process-error", "multi-state-fault", "configuration-error",
    "communication-failure", "member-fault", "monitored-object-fault", "tripped", "lamp-failure",
    "activation-failure",
}  # fmt: skip


@pytest.mark.parametrize("entry", CATALOGUE.values(), ids=str)
def test_every_entry_says_everything(entry: Entry) -> None:
    for field in dataclasses.fields(Entry):
        value = getattr(entry, field.name)
        if isinstance(value, str):
            assert value.strip(), field.name
    assert entry.reliability in RELIABILITY
    assert entry.rivals
    assert entry.raise_s >= 0 <= entry.clear_s


def test_causes_come_before_consequences() -> None:
    order = list(CATALOGUE)
    for entry in CATALOGUE.values():
        for cause in entry.blocked_by:
            assert order.index(cause) < order.index(entry.fault), (entry.fault, cause)


def test_every_fault_has_a_detector_and_every_detector_an_entry() -> None:
    here = site()
    readings = Measure(here).examine(block(here, {"a.c1": [float(counts_for(50))]}))
    here_columns = columns(here)
    spoken = {c.fault for d in detectors(here_columns) for c in d.examine(readings)}
    minutes = Gather(here_columns).examine(readings)
    quiet = np.zeros((1, 1), dtype=np.bool_)
    for judge in judges(here_columns, blank(here_columns), 1e6):
        spoken |= {c.fault for c in judge.examine(readings, minutes, quiet)}
    assert spoken == set(CATALOGUE)
