"""The first findings: the right fault on the right subject, raised in time, cleared after."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pytest

from gateway.diagnose.agreement import FOUND_BY, Agreement
from gateway.diagnose.diagnose import Diagnosis
from gateway.diagnose.findings import Finding, Status
from gateway.measure.measure import Measure
from gateway.measure.quality import Reason
from gateway.plant.site import Site
from tests.sites import V_CARD, block, counts_for, site, transducer

Columns = Mapping[str, Sequence[float] | np.ndarray[Any, Any]]


def events(here: Site, columns: Columns, **options: Any) -> list[Finding]:
    """Findings from one block."""
    measure = Measure(here)
    readings = measure.examine(block(here, columns, **options))
    return list(Diagnosis(here, measure.columns).examine(readings))


def lively(percent: float, rows: int, seed: int = 1) -> np.ndarray[Any, Any]:
    """Counts around a percent of span, with noise of a few counts."""
    rng = np.random.default_rng(seed)
    return np.asarray(counts_for(percent) + rng.integers(-4, 5, rows))


def pair(rows: int, first: Any, second: Any, feedback: Any = None) -> dict[str, Any]:
    """Both transducers and a feedback that is their average unless given."""
    one, two = np.broadcast_to(first, rows), np.broadcast_to(second, rows)
    mA = (one + two) / 2 * 24 / 30000
    average = -25 + 125 * (mA - 4) / 16
    return {"a.c1": one, "a.c2": two, "a.feedback": average if feedback is None else feedback}


def said(found: Sequence[Finding]) -> list[tuple[str, str, str]]:
    """(fault, subject, phase) of every event."""
    return [(f.fault, f.subject, f.phase) for f in found]


def test_a_quiet_loop_has_no_finding() -> None:
    assert events(site(), pair(600, lively(60, 600), lively(60.5, 600, 2))) == []


def test_an_open_wire_is_said_after_two_seconds_and_clears_after_repair() -> None:
    counts = lively(60, 60).astype(float)
    counts[20:40] = 0
    found = events(site(), pair(60, lively(60, 60, 2), counts))
    assert said(found) == [
        ("open-circuit", "p2", "raised"),
        ("open-circuit", "p2", "cleared"),
    ]
    start = 1_780_000_000.0
    assert [f.time - start for f in found] == [22, 42]
    # Behind a live zero no tube reads 0 mA.
    assert "tube-off" not in found[0].rivals
    assert "short-circuit" in found[0].rivals
    assert found[0].status is Status.FAILURE
    assert found[0].transducer == "p2"
    assert found[0].loops == ("stair",)
    assert found[0].evidence["electrical_mA"] == 0
    assert "0 mA in series" in found[0].next_check
    assert found[0].id == found[1].id


# Bands as in NAMUR NE 43 (2003), secondary texts; the dwell times are ours.
@pytest.mark.parametrize(
    ("mA", "fault", "after"),
    [
        (0.0, "open-circuit", 2),
        (3.5, "device-failure-signal", 4),
        (3.6, "device-failure-signal", 4),
        (3.7, "signal-undefined-band", 30),
        (20.8, "signal-undefined-band", 30),
        (21.0, "device-failure-signal", 4),
        (22.0, "device-failure-signal", 4),
        (24.0, "short-circuit", 2),
        (20.4, "over-range", 240),
        (3.83, "under-range", 240),
    ],
)
def test_each_band_has_its_fault_and_its_dwell(mA: float, fault: str, after: int) -> None:
    counts = np.round(mA * 30000 / 24)
    if fault.endswith("range"):  # a reading that never moves would be frozen
        counts = counts + np.random.default_rng(2).integers(-2, 3, 300)
    found = [f for f in events(site(), pair(300, counts, lively(50, 300))) if f.subject == "p1"]
    assert [(f.fault, f.phase) for f in found] == [(fault, "raised")]
    assert found[0].time == 1_780_000_000.0 + after


def test_a_short_dip_below_the_dwell_says_nothing() -> None:
    counts = lively(60, 60).astype(float)
    counts[20:22] = 0
    counts[30:32] = 0
    assert events(site(), pair(60, counts, lively(60, 60, 2))) == []


def duct(rows: int, first: Any, second: Any) -> list[Finding]:
    """Two 0-10 V transducers 0..100 Pa in a minimum loop; counts of 27648 at 10 V."""
    volts = {
        k: transducer(f"a.c{n}", signal="0-10 V", input=V_CARD, range=[0, 100])
        for n, k in ((1, "p1"), (2, "p2"))
    }
    here = site(volts, {"duct": {"transducers": ["p1", "p2"], "combine": "minimum"}})
    return events(here, {"a.c1": np.broadcast_to(first, rows), "a.c2": second})


def test_a_believable_zero_is_found_by_its_peer() -> None:
    rng = np.random.default_rng(3)
    found = duct(60, np.zeros(60), 13824 + rng.integers(-9, 9, 60))
    assert said(found) == [("open-circuit", "p1", "raised")]
    # Less sure than on a live zero: the wire is the likeliest of several reasons.
    assert found[0].confidence < 0.8
    assert {"tube-off", "ports-swapped"} <= set(found[0].rivals)
    assert found[0].evidence["peers_Pa"] == pytest.approx(50, abs=0.2)


def test_zero_with_the_fan_off_is_no_open_wire() -> None:
    rng = np.random.default_rng(3)
    assert duct(300, np.zeros(300), rng.integers(0, 9, 300)) == []


def test_silence_is_said_for_the_controller_and_only_for_it() -> None:
    whole = pair(30, lively(60, 30), lively(60, 30, 2))
    quiet = {k: np.asarray(v, dtype=float).copy() for k, v in whole.items()}
    quiet["a.setpoint"] = np.full(30, 50.0)
    for values in quiet.values():
        values[10:20] = np.nan
    found = events(site(), quiet)
    assert said(found) == [
        ("no-communication", "a", "raised"),
        ("no-communication", "a", "cleared"),
    ]
    assert found[0].time - 1_780_000_000.0 == 13
    assert found[0].loops == ("stair",)


def test_a_refused_register_is_a_bad_reply() -> None:
    columns = pair(20, lively(60, 20), lively(60, 20, 2)) | {"a.setpoint": [np.nan] * 20}
    found = events(site(), columns, reason=Reason.BAD_REPLY)
    assert said(found) == [("bad-reply", "a", "raised")]


def test_an_open_wire_stays_open_while_the_controller_is_silent() -> None:
    columns = {k: np.asarray(v, dtype=float).copy() for k, v in pair(60, 0, lively(60, 60)).items()}
    columns["a.setpoint"] = np.full(60, 50.0)
    for values in columns.values():
        values[20:50] = np.nan
    found = events(site(), columns)
    assert said(found) == [
        ("open-circuit", "p1", "raised"),
        ("no-communication", "a", "raised"),
        ("no-communication", "a", "cleared"),
    ]


def test_a_controller_that_repeats_itself_is_stale() -> None:
    columns = {k: np.asarray(v, dtype=float).copy()
               for k, v in pair(300, lively(60, 300), lively(61, 300, 2)).items()}  # fmt: skip
    for values in columns.values():
        values[100:] = values[100]
    found = events(site(), columns)
    assert said(found) == [("stale-data", "a", "raised")]
    assert float(found[0].evidence["still_for_s"]) > 120


def test_a_frozen_transducer_is_named_while_its_peer_moves() -> None:
    stuck = lively(60, 400).astype(float)
    stuck[100:300] = stuck[100]
    found = events(site(), pair(400, stuck, lively(60, 400, 2)))
    assert said(found) == [("frozen", "p1", "raised"), ("frozen", "p1", "cleared")]
    assert found[0].time - 1_780_000_000.0 == pytest.approx(220, abs=2)


def test_disagreement_is_judged_by_uncertainty() -> None:
    # 1 % of 125 Pa and half a year at 0.5 %: u = 0.74 Pa each, so two may differ by 2.1 Pa.
    near = events(site(), pair(400, lively(60, 400), lively(61.4, 400, 2)))
    assert near == []
    far = events(site(), pair(400, lively(60, 400), lively(62.4, 400, 2)))
    assert said(far) == [("disagreement", "stair", "raised")]
    assert float(far[0].evidence["limit_Pa"]) == pytest.approx(2.09, abs=0.05)
    assert float(far[0].evidence["difference_Pa"]) == pytest.approx(3.0, abs=0.4)
    assert far[0].evidence["found_by"] == "more than their uncertainty allows"


def test_a_disagreement_within_the_limit_says_what_else_told() -> None:
    measure = Measure(site())
    readings = measure.examine(block(site(), pair(2, [counts_for(60)], [counts_for(61)])))
    changed = np.array([[False], [True]])
    (condition,) = Agreement(measure.columns).examine(readings, changed)
    assert condition.holds.ravel().tolist() == [False, True]
    told = FOUND_BY[int(condition.evidence["found_by"][1, 0])]
    assert told == "another difference than before"
    assert condition.evidence["difference_Pa"][1, 0] < condition.evidence["limit_Pa"][1, 0]


def test_of_three_the_odd_one_is_named() -> None:
    three = {f"p{k}": transducer(f"a.c{k}") for k in (1, 2, 3)}
    here = site(three, {"ex": {"transducers": list(three), "combine": "median"}})
    columns = {"a.c1": lively(60, 300), "a.c2": lively(70, 300, 2), "a.c3": lively(60, 300, 3)}
    found = events(here, columns)
    assert said(found) == [("disagreement", "ex", "raised")]
    assert found[0].transducer == "p2"


@pytest.mark.parametrize("follows", ["maximum", "minimum", "input 1 alone", "sum", "none"])
def test_a_wrong_combination_is_named(follows: str) -> None:
    rows = 120
    # The first transducer swings across the second, so that no two candidates look alike.
    one = lively(60, rows) + 3000 * np.sign(np.sin(np.arange(rows) / 4))
    two = lively(62, rows, 2).astype(float)
    a, b = (-25 + 125 * (counts * 24 / 30000 - 4) / 16 for counts in (one, two))
    reported = {
        "maximum": np.maximum(a, b),
        "minimum": np.minimum(a, b),
        "input 1 alone": a,
        "sum": a + b,
        "none": np.full(rows, 5.0),
    }[follows]
    loop = {"transducers": ["p1", "p2"], "combine": "average", "feedback": "a.feedback"}
    here = site(loops={"stair": loop | {"place_difference": 60}})
    found = events(here, {"a.c1": one, "a.c2": two, "a.feedback": reported})
    assert said(found) == [("combination-mismatch", "stair", "raised")]
    assert found[0].evidence["fits"] == follows
    assert follows in found[0].evidence.values()


def test_findings_open_before_a_restart_go_on_and_clear() -> None:
    here = site()
    measure = Measure(here)
    first = events(here, pair(10, 0, lively(60, 10)))
    assert said(first) == [("open-circuit", "p1", "raised")]
    again = Diagnosis(here, measure.columns, open_before=first)
    assert again.open == tuple(first)
    still = measure.examine(block(here, pair(10, 0, lively(60, 10)), start=1_780_000_100.0))
    assert again.examine(still) == ()
    fixed = pair(10, lively(60, 10), lively(60, 10))
    repaired = measure.examine(block(here, fixed, start=1_780_000_110.0))
    assert said(again.examine(repaired)) == [("open-circuit", "p1", "cleared")]
    assert again.open == ()
