"""The controller's own half: PID, ramp, sleep, start and stop, combining."""

from __future__ import annotations

from math import inf

import pytest

from gateway.demo.drive import COMBINATIONS, Drive, Input, Tuning
from gateway.demo.pid import Pid
from gateway.plant.site import Site

TUNING = Tuning(
    gain=0.3, integral_s=6.0, ramp_per_s=0.05, lowest=0.25,
    stop_after_s=inf, stop_every_s=1.0, stop_for_s=0.0,
)  # fmt: skip


def counts_at(pressure_pa: float) -> float:
    """Counts of dp-201: 4-20 mA for -25 to 100 Pa, 0 to 32000 for 0 to 20 mA."""
    return (4.0 + 16.0 * (pressure_pa + 25.0) / 125.0) * 1600.0


@pytest.fixture
def drive(archive: Site) -> Drive:
    inputs = [Input(archive.transducers[key], "Pa") for key in ("dp-201", "dp-202")]
    return Drive(inputs, "average", 125.0, 50.0, rises_below=True, tuning=TUNING, command=0.6)


def run(drive: Drive, pressure_pa: float, seconds: float) -> None:
    for _ in range(int(seconds / 0.5)):
        drive.step(0.5, [counts_at(pressure_pa)] * 2)


def test_pid_does_not_wind_up_at_its_limit() -> None:
    pid = Pid(gain=1.0, integral_s=2.0, derivative_s=0.0, low=0.0, high=1.0)
    for _ in range(1000):
        assert pid.step(0.1, 0.8, 1.0) <= 1.0
    # One step after the error has turned, the output has left the limit.
    assert pid.step(0.1, -0.3, 1.0) < 1.0


def test_pid_takes_away_a_steady_error() -> None:
    pid, pressure = Pid(0.5, 2.0, 0.0, 0.0, 1.0), 0.0
    for _ in range(600):
        pressure += 0.1 * (pid.step(0.1, 0.4 - pressure, pressure) - pressure)
    assert pressure == pytest.approx(0.4, abs=1e-3)


def test_derivative_brakes_a_rising_feedback() -> None:
    with_it, without = Pid(1.0, 10.0, 1.0, -1.0, 1.0), Pid(1.0, 10.0, 0.0, -1.0, 1.0)
    for one in (with_it, without):
        one.step(0.1, 0.3, 0.0)
    assert with_it.step(0.1, 0.25, 0.0) < without.step(0.1, 0.25, 0.0)


@pytest.mark.parametrize(
    ("kind", "expected"),
    [("average", 4.0), ("minimum", 1.0), ("maximum", 9.0), ("median", 2.0), ("sum", 12.0),
     ("single", 2.0), ("difference", 1.0)],
)  # fmt: skip
def test_combinations(kind: str, expected: float) -> None:
    assert COMBINATIONS[kind]([2.0, 1.0, 9.0]) == expected


def test_input_scales_by_its_nameplate(archive: Site) -> None:
    one = Input(archive.transducers["dp-201"], "Pa")
    assert one.scale(0.2 * 32000) == pytest.approx(-25.0)
    assert one.scale(32000) == pytest.approx(100.0)
    two = Input(archive.transducers["dp-301"], "inH2O")
    assert two.scale(4095) == pytest.approx(2.0)


def test_output_rises_below_set_point_no_faster_than_its_ramp(drive: Drive) -> None:
    before = drive.command
    run(drive, 30.0, 1.0)
    assert before < drive.command <= before + 1.0 * TUNING.ramp_per_s + 1e-9
    run(drive, 30.0, 60.0)
    assert drive.command == 1.0


def test_reversed_action_falls_below_set_point(drive: Drive) -> None:
    drive.faults["action-reversed"] = 0.0
    run(drive, 30.0, 60.0)
    assert drive.command == TUNING.lowest


def test_sleeps_at_its_lower_limit_and_wakes_when_pressure_is_lost(drive: Drive) -> None:
    run(drive, 70.0, 60.0)
    assert drive.command == TUNING.lowest
    assert not drive.sleeping
    run(drive, 70.0, 90.0)
    assert drive.sleeping
    assert drive.command == 0.0
    run(drive, 40.0, 2.5)
    assert drive.sleeping
    run(drive, 40.0, 1.0)
    assert not drive.sleeping
    assert drive.command >= TUNING.lowest


def test_rests_on_schedule_and_starts_again(archive: Site) -> None:
    tuning = Tuning(
        gain=0.3, integral_s=6.0, ramp_per_s=0.05, lowest=0.25,
        stop_after_s=100.0, stop_every_s=1000.0, stop_for_s=50.0,
    )  # fmt: skip
    inputs = [Input(archive.transducers["dp-201"], "Pa")]
    drive = Drive(inputs, "single", 125.0, 50.0, rises_below=True, tuning=tuning, command=0.6)
    stopped = []
    for k in range(1300):
        drive.step(1.0, [counts_at(45.0)])
        if not drive.running:
            assert drive.command == 0.0
            stopped.append(k + 1)
    assert stopped == [*range(100, 150), *range(1100, 1150)]
    assert drive.run_time == pytest.approx(1200.0)
