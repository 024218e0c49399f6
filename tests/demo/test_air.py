"""Air physics against published figures."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.demo.building import (
    Door,
    Gates,
    Weather,
    conductance,
    settled_pressure,
    stack_pa,
)
from gateway.demo.fan import Curve
from gateway.demo.noise import uniforms

FOOT_M = 0.3048
CURVE = Curve(shutoff_pa=500.0, droop=30.0, rated_rpm=1450.0)
NOON, NIGHT = 12.0, 2.0


def test_stack_effect_of_a_200_ft_shaft_in_frost() -> None:
    # Smoke-control texts (secondary), from memory and recomputed: neutral plane at mid-height,
    # 0 and 70 degF: 54.6 Pa, printed 55.
    at_top = stack_pa((0 - 32) / 1.8, (70 - 32) / 1.8, 100 * FOOT_M)
    assert at_top == pytest.approx(54.6, abs=0.15)


def test_stack_effect_reverses_in_summer() -> None:
    # A published calculation sheet: 45 degC out, 24 degC in: 0.7693 Pa/m, lower inside at the top;
    # published constants are rounded, so half a percent is allowed.
    assert stack_pa(45.0, 24.0, 1.0) == pytest.approx(-0.7693, rel=0.005)


def test_leakage_constant() -> None:
    # Smoke-control texts (secondary) and recomputed: Q = 0.839 A sqrt(dP) m3/s.
    assert conductance(1.0) == pytest.approx(0.839, abs=0.0005)
    assert conductance(0.2) * 50**0.5 == pytest.approx(0.839 * 0.2 * 50**0.5, rel=0.001)


@given(head=st.floats(1.0, 2000.0), resistance=st.floats(0.0, 500.0), area=st.floats(0.001, 3.0))
def test_settled_pressure_balances_fan_and_leaks(
    head: float, resistance: float, area: float
) -> None:
    pressure = settled_pressure(head, resistance, area)
    flow = conductance(area) * pressure**0.5
    assert head - resistance * flow**2 == pytest.approx(pressure, rel=1e-9)


@given(ratio=st.floats(0.1, 2.0), flow=st.floats(0.0, 4.0))
def test_fan_curve_obeys_the_affinity_laws(ratio: float, flow: float) -> None:
    # Any fan text, from memory: flow ~ N, pressure ~ N2, power ~ N3 at one system curve.
    before, moved = CURVE.pressure(1.0, flow), CURVE.pressure(ratio, ratio * flow)
    assert moved == pytest.approx(before * ratio**2, abs=1e-9)
    assert ratio * flow * moved == pytest.approx(flow * before * ratio**3, abs=1e-8)


@given(ratio=st.floats(0.2, 1.5), area=st.floats(0.01, 1.0))
def test_shaft_pressure_goes_with_speed_squared_at_constant_leakage(
    ratio: float, area: float
) -> None:
    # Fan laws as above: the law holds at constant leakage.
    full = settled_pressure(CURVE.head(1.0), CURVE.droop, area)
    assert settled_pressure(CURVE.head(ratio), CURVE.droop, area) == pytest.approx(
        full * ratio**2, rel=1e-9
    )


def test_more_leakage_means_less_pressure() -> None:
    pressures = [settled_pressure(100.0, 60.0, area) for area in (0.05, 0.16, 0.5, 1.0)]
    assert pressures == sorted(pressures, reverse=True)


def test_weather_is_colder_in_january_and_at_night() -> None:
    january, july = (Weather(1, epoch) for epoch in (1_769_000_000.0, 1_784_500_000.0))
    assert january.outside_C < july.outside_C - 5.0
    one = Weather(1, 1_780_272_000.0)
    assert one.hour == 0.0
    one.step(3600.0)
    assert one.hour == 1.0
    assert one.wind_pa > 0.0


def test_door_opens_fully_and_shuts_again_and_again() -> None:
    door = Door(uniforms(7, "door"), quiet_s=100.0)
    areas = [door.step(0.5, NOON) for _ in range(3 * 7200)]
    assert max(areas[:199]) == 0.0
    assert max(areas) == Door.PASSAGE_M2
    openings = sum(a == 0.0 and b > 0.0 for a, b in pairwise(areas))
    assert 10 <= openings <= 50
    open_share = sum(a > 0.0 for a in areas) / len(areas)
    assert open_share < 0.05


def test_fewer_people_at_night() -> None:
    def passages(hour: float) -> int:
        door = Door(uniforms(7, "door"), quiet_s=0.0)
        areas = [door.step(1.0, hour) for _ in range(100_000)]
        return sum(a == 0.0 and b > 0.0 for a, b in pairwise(areas))

    assert passages(NIGHT) < 0.6 * passages(NOON)


def test_gates_stay_between_none_and_all() -> None:
    gates = Gates(3, "gates")
    shares = [gates.step(2.0) for _ in range(100_000)]
    assert min(shares) >= 0.0
    assert max(shares) <= Gates.COUNT
    assert len({round(share) for share in shares}) >= 4
