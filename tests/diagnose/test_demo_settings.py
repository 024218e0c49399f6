"""Wrong settings of the demo plant are found under their own names, and nothing else is said."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from gateway.demo.archive import BLUEPRINTS
from gateway.demo.control import demo_site_path
from gateway.demo.history import simulate
from gateway.diagnose.diagnose import Diagnosis
from gateway.diagnose.findings import Finding
from gateway.measure.measure import Measure
from gateway.plant.sitefile import read_site

pytestmark = pytest.mark.slow

START, SWITCHED = 1_780_272_000.0, 317.0


def found(
    faults: Sequence[tuple[str, str]], *, seed: int, seconds: float = 1300
) -> list[Finding]:  # fmt: skip
    """Findings of a plant in which everything is switched on after five minutes."""
    site = read_site(demo_site_path())
    assert set(site.loops) == set(BLUEPRINTS)
    events = [(SWITCHED, kind, subject, None) for kind, subject in faults]
    block = simulate(site, seed=seed, seconds=seconds, faults=events, start_time=START)
    measure = Measure(site)
    return list(Diagnosis(site, measure.columns).examine(measure.examine(block)))


# One fault on each loop, so that a run is worth its seconds.
@pytest.mark.parametrize(
    ("faults", "seed", "within"),
    [
        (
            (
                ("live-zero-mismatch", "dp-402"),
                ("hunting", "stair-b"),
                ("setpoint-above-safe-limit", "ahu-1-supply"),
            ),
            5,
            960,
        ),
        (
            (
                ("action-reversed", "exhaust-plenum"),
                ("signal-mismatch", "dp-201"),
                ("combination-mismatch", "ahu-1-supply"),
            ),
            6,
            600,
        ),
    ],
)
def test_each_fault_by_its_own_name(
    faults: tuple[tuple[str, str], ...], seed: int, within: float
) -> None:
    findings = found(faults, seed=seed)
    assert sorted((f.fault, f.subject) for f in findings) == sorted(faults)
    for f in findings:
        assert f.phase == "raised"
        assert SWITCHED < f.time - START < SWITCHED + within
