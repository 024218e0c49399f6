"""What was repaired is over: nothing is left of it, and nothing else is said because of it."""

from __future__ import annotations

from typing import Any

import pytest

from gateway.demo.control import demo_site_path
from gateway.plant.sitefile import read_site
from tests.benchmarks.stage import Stage, alone, branch

LOOP, ONE, OTHER = "ahu-1-supply", "dp-302", "dp-301"
START = 1_780_000_000.0
HOUR = 3600.0
BROKEN_S, WATCHED_S = 900.0, 1800.0
CASES = [
    ("open-circuit", ONE, 60), ("floating-input", ONE, 300), ("tube-off", ONE, 240),
    ("tube-restricted", ONE, 480), ("liquid-in-tube", ONE, 240), ("frozen", ONE, 120),
    ("device-stuck", ONE, 480), ("excess-noise", ONE, 480),
    ("range-mismatch", ONE, 480), ("hunting", LOOP, 480), ("leak", LOOP, 900),
    ("no-communication", "ahu-1", 60),
]  # fmt: skip
"""Fault of the demo plant, what has it, seconds after which nothing may be said of it any more.

Minutes that a judge needs to see that it is over, and some to spare; our own choice.
"""


def rows(stage: Stage, seconds: float) -> list[tuple[float, str, str, str]]:
    """Seconds from now on, and what became of which finding."""
    begun = stage.now
    found: list[tuple[float, str, str, str]] = []
    while stage.now < begun + seconds:
        found += [
            (f.time - begun, f.phase, f.fault, f.subject)
            for f in stage.go(min(300.0, begun + seconds - stage.now))[1]
        ]
    return found


@pytest.fixture(scope="module", params=[0.5, 3.0], ids=["hardly learnt", "learnt"])
def stage(request: pytest.FixtureRequest) -> Stage:
    """A loop watched for so many hours without a fault."""
    made = Stage(alone(read_site(demo_site_path()), LOOP), seed=5, start=START)
    assert rows(made, request.param * HOUR) == []
    return made


@pytest.mark.slow
@pytest.mark.parametrize(("kind", "subject", "over_s"), CASES, ids=[c[0] for c in CASES])
def test_it_is_over(stage: Stage, kind: str, subject: str, over_s: float) -> None:
    def work() -> dict[str, Any]:
        stage.plant.switch(kind, subject, None, on=True)
        during = rows(stage, BROKEN_S)
        stage.plant.switch(kind, subject, None, on=False)
        return {"during": during, "after": rows(stage, WATCHED_S)}

    told = branch(work)
    left = {(fault, about) for _, phase, fault, about in told["during"] if phase == "raised"}
    left -= {(fault, about) for _, phase, fault, about in told["during"] if phase == "cleared"}
    assert left, "it was found while it was there"
    assert [one for one in told["after"] if one[1] == "raised"] == []
    assert {(fault, about) for _, _, fault, about in told["after"]} == left
    assert max(at for at, *_ in told["after"]) <= over_s


@pytest.mark.slow
def test_the_next_fault_is_blamed_on_whoever_has_it(stage: Stage) -> None:
    """Water in one tube, a while after the other transducer's tube was put back."""

    def work() -> dict[str, Any]:
        stage.plant.switch("tube-off", ONE, None, on=True)
        rows(stage, BROKEN_S)
        stage.plant.switch("tube-off", ONE, None, on=False)
        rows(stage, 1200.0)
        stage.plant.switch("liquid-in-tube", OTHER, None, on=True)
        return {"found": rows(stage, 900.0)}

    raised = [
        (fault, about) for _, phase, fault, about in branch(work)["found"] if phase == "raised"
    ]
    assert ("liquid-in-tube", OTHER) in raised
    assert [one for one in raised if one[1] == ONE] == []
