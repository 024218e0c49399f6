"""Faults of whole loops: said when they are there, silent for doors, starts and new set points."""

from __future__ import annotations

import numpy as np
import pytest

from gateway.diagnose.diagnose import Diagnosis
from gateway.measure.blocks import Block, Floats
from gateway.measure.measure import Measure
from tests.diagnose.watched import DOOR, START, air, polled, said, told, watched

pytestmark = pytest.mark.slow

WHOLE = {"loop": {"door": DOOR, "limits": {"low": 25, "high": 80}}}


def swing(rows: int, amplitude: float, period: float, start: int = 300) -> Floats:
    """A sine from `start` on, Pa."""
    t = np.arange(rows) - start
    return np.where(t > 0, amplitude * np.sin(2 * np.pi * t / period), 0.0)


def doors(rows: int, depth: float = 30.0, every: int = 240) -> Floats:
    """A door that stands open for six seconds, and the fan's answer after it."""
    t = np.arange(rows) % every
    out = np.where(t < 6, -depth, np.where(t < 20, depth / 3 * np.exp(-(t - 6) / 4), 0.0))
    return np.asarray(out, dtype=np.float64)


def test_a_swing_of_both_is_the_loop() -> None:
    rows = 1200
    both = swing(rows, 8.0, 24.0)
    found = told(watched(**WHOLE), polled(watched(), (air(rows) + both, air(rows, seed=2) + both)))
    assert said(found) == [("hunting", "stair", "raised")]
    evidence = found[0].evidence
    assert float(evidence["period_s"]) == pytest.approx(24, rel=0.05)
    assert float(evidence["amplitude_Pa"]) == pytest.approx(8, rel=0.15)
    assert float(evidence["peak_Pa"]) == pytest.approx(58, abs=1.5)
    assert evidence["seen_by"] == "all transducers"
    assert found[0].transducer is None
    # Eleven half periods of 12 s, and the end of the minute.
    assert 300 + 132 <= found[0].time - START <= 300 + 132 + 75
    # 40 N + 0.91 x 1.938 m2 x 58 Pa / (2 x 0.835 m): NYC Building Code 909.6.2 form, worked out.
    assert float(evidence["door_force_N"]) == pytest.approx(101.3, abs=2)


def test_a_swing_of_one_points_at_it() -> None:
    rows = 1200
    one = air(rows) + swing(rows, 16.0, 24.0)
    found = [
        f for f in told(watched(), polled(watched(), (one, air(rows, seed=2))))
        if f.fault == "hunting"
    ]  # fmt: skip
    assert [f.phase for f in found] == ["raised"]
    assert found[0].evidence["seen_by"] == "one transducer only"
    assert found[0].transducer == "p1"


def test_hunting_clears_when_it_is_tuned() -> None:
    rows = 2400
    both = np.where(np.arange(rows) < 1300, swing(rows, 8.0, 24.0), 0.0)
    found = told(watched(), polled(watched(), (air(rows) + both, air(rows, seed=2) + both)))
    assert said(found) == [("hunting", "stair", "raised"), ("hunting", "stair", "cleared")]
    assert found[1].time - START < 1300 + 240


def test_a_swing_too_quick_for_the_poll_is_not_judged() -> None:
    rows = 1200
    both = swing(rows, 8.0, 3.3)
    found = told(watched(), polled(watched(), (air(rows) + both, air(rows, seed=2) + both)))
    assert "hunting" not in {f.fault for f in found}


def test_doors_starts_and_new_set_points_are_no_loop_faults() -> None:
    rows = 3900
    t = np.arange(rows)
    stopped = (t >= 1500) & (t < 1900)
    setpoint = np.where(t < 3000, 50.0, 40.0)
    settled = np.where(t < 3000, 50.0, 40.0 + 10 * np.exp(-(t - 3000) / 20.0))
    level = settled + doors(rows)
    back = np.clip((t - 1900) / 40.0, 0, 1)
    level = np.where(stopped, 0.0, np.where(t >= 1900, level * back, level))
    output = np.where(stopped, 0.0, 38.0 + np.where(doors(rows) < 0, 22.0, 0.0))
    block = polled(
        watched(), (air(rows, level), air(rows, level, seed=2)),
        setpoint=setpoint, output=output, running=np.where(stopped, 0.0, 1.0),
    )  # fmt: skip
    assert said(told(watched(**WHOLE), block)) == []


def test_a_set_point_out_of_reach_saturates_the_output() -> None:
    rows = 1500
    level = np.where(np.arange(rows) < 300, 50.0, 20.0)
    output = np.where(np.arange(rows) < 300, 38.0, 60.0)
    block = polled(watched(), (air(rows, level), air(rows, level, seed=2)), output=output)
    found = told(watched(), block)
    assert {(f.fault, f.subject) for f in found} == {
        ("output-saturated", "stair"),
        ("setpoint-not-held", "stair"),
    }
    for f in found:
        assert 300 + 360 <= f.time - START <= 300 + 540
        assert f.evidence["limit"] == "upper limit"
        assert float(f.evidence["feedback_Pa"]) == pytest.approx(20, abs=2)


def test_little_reserve_saturates_without_missing() -> None:
    rows = 1500
    output = np.where(np.arange(rows) % 60 < 45, 60.0, 57.0)
    found = told(watched(), polled(watched(), (air(rows), air(rows, seed=2)), output=output))
    assert said(found) == [("output-saturated", "stair", "raised")]


def test_a_missed_set_point_away_from_the_limits() -> None:
    rows = 1500
    level = np.where(np.arange(rows) < 300, 50.0, 40.0)
    found = told(watched(), polled(watched(), (air(rows, level), air(rows, level, seed=2))))
    assert said(found) == [("setpoint-not-held", "stair", "raised")]


def test_a_broken_wire_explains_a_missed_set_point() -> None:
    rows = 1500
    level = np.where(np.arange(rows) < 300, 50.0, 20.0)
    block = polled(watched(), (air(rows, level), air(rows, level, seed=2)), output=60.0)
    names = [f"{c}.{p}" for c, n in watched().controllers.items() for p in n.points]
    block.values[300:, names.index("a.c1")] = 0.0
    found = told(watched(), block)
    assert "setpoint-not-held" not in {f.fault for f in found}
    assert "open-circuit" in {f.fault for f in found}


def reversed_output(rows: int, start: int) -> tuple[Floats, Floats]:
    """A loop that runs away from 50 Pa to 75 Pa within 70 s; pressure and output."""
    t = np.clip((np.arange(rows) - start) / 70.0, 0, 1)
    return 50 + 25 * t**2, 38 + 22 * t**2


def test_a_reversed_action_is_seen_by_its_run_away() -> None:
    rows = 900
    level, output = reversed_output(rows, 300)
    block = polled(watched(), (air(rows, level), air(rows, level, seed=2)), output=output)
    found = told(watched(), block)
    assert said(found) == [("action-reversed", "stair", "raised")]
    assert found[0].time - START < 300 + 180
    assert float(found[0].evidence["correlation"]) < 0
    assert float(found[0].evidence["wrong_travel_percent"]) > 10


def test_the_same_movement_is_right_for_a_direct_loop() -> None:
    rows = 900
    level, output = reversed_output(rows, 300)
    block = polled(watched(), (air(rows, level), air(rows, level, seed=2)), output=output)
    direct = watched(loop={"action": "direct"})
    assert "action-reversed" not in {f.fault for f in told(direct, block)}


def test_a_drive_at_the_wrong_limit_from_the_start() -> None:
    rows = 900
    block = polled(watched(), (air(rows, 20.0), air(rows, 20.0, seed=2)), output=15.0)
    found = told(watched(), block)
    assert said(found)[0] == ("action-reversed", "stair", "raised")
    assert found[0].confidence < 0.9
    assert "setpoint-not-held" not in {f.fault for f in found}


def test_a_stopping_drive_is_not_reversed() -> None:
    # It ramps down for 50 s and still says that it runs.
    rows = 900
    t = np.arange(rows)
    down = np.clip((t - 300) / 50.0, 0, 1)
    block = polled(
        watched(), (air(rows, 50 * (1 - down)), air(rows, 50 * (1 - down), seed=2)),
        output=38 * (1 - down), running=np.where(t < 350, 1.0, 0.0),
    )  # fmt: skip
    assert said(told(watched(), block)) == []


def test_sleep_cycling() -> None:
    rows = 1500
    t = np.arange(rows)
    rests = (t > 600) & (t % 90 < 4)
    block = polled(
        watched(), (air(rows, np.where(rests, 20, 47.0)), air(rows, 47.0, seed=2)),
        running=np.where(rests, 0.0, 1.0), output=np.where(rests, 0.0, 36.0),
    )  # fmt: skip
    found = [f for f in told(watched(), block) if f.subject == "stair"]
    assert said(found) == [("sleep-cycling", "stair", "raised")]
    assert float(found[0].evidence["cycle_s"]) == pytest.approx(90, abs=31)
    assert found[0].time - START < 600 + 480


@pytest.mark.parametrize(
    ("setpoint", "fault"),
    [
        (50.0, None),
        (79.0, None),
        (85.0, "setpoint-above-safe-limit"),
        (99.0, "setpoint-above-safe-limit"),
        (120.0, "setpoint-outside-range"),
        (-30.0, "setpoint-outside-range"),
    ],
)
def test_set_points(setpoint: float, fault: str | None) -> None:
    rows = 120
    block = polled(watched(), (air(rows), air(rows, seed=2)), setpoint=setpoint)
    found = told(watched(**WHOLE), block)
    assert said(found) == ([(fault, "stair", "raised")] if fault else [])


def test_a_door_alone_limits_the_set_point() -> None:
    # 133 N: 40 N + 0.91 x 1.938 m2 x 88.05 Pa / (2 x 0.835 m), worked out.
    here = watched(loop={"door": DOOR})
    for setpoint, faults in ((87.0, []), (90.0, ["setpoint-above-safe-limit"])):
        block = polled(here, (air(120), air(120, seed=2)), setpoint=setpoint)
        found = told(here, block)
        assert [f.fault for f in found] == faults
        for f in found:
            assert "more than that" in f.consequence


@pytest.mark.parametrize("kind", ["run away", "missed", "swing", "scaling"])
def test_what_stood_open_before_a_restart_stands_through_it(kind: str) -> None:
    rows = 1500
    level, output = np.full(rows, 50.0), np.full(rows, 38.0)
    if kind == "run away":
        level, output = reversed_output(rows, 300)
    elif kind == "missed":
        level, output = np.full(rows, 20.0), np.full(rows, 60.0)
    elif kind == "swing":
        level = 50 + swing(rows, 8.0, 24.0)
    one, two = air(rows, level), air(rows, level, seed=2)
    own = (one * 2 + 25, two) if kind == "scaling" else None
    whole = polled(watched(), (one, two), shown=own, output=output, setpoint=50.0)
    measure = Measure(watched())
    before = Diagnosis(watched(), measure.columns)
    assert before.examine(measure.examine(whole))
    after = Diagnosis(watched(), measure.columns, open_before=before.open)
    last = Block(whole.time[700:], whole.values[700:], whole.reasons[700:])
    assert after.examine(Measure(watched()).examine(last)) == ()
    assert after.open == before.open
