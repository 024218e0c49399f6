"""The three spaces of the archive whose pressure a fan holds: a stair, a duct, a plenum.

Each step: the fan's head against resistance and openings gives the settled pressure, which the
space reaches within its own short time; then wind, stack effect and turbulence make the
difference at each transducer's place. `faults` holds what is switched on, kind -> size.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import pi, sin
from typing import Protocol

from .building import (
    DAY_S,
    INDOOR_C,
    Door,
    Gates,
    Weather,
    conductance,
    settled_pressure,
    stack_pa,
)  # fmt: skip
from .fan import Curve, Fan
from .noise import Lag, Wander, normals, uniforms


class Space(Protocol):
    """What the plant needs of a space."""

    fan: Fan
    faults: dict[str, float]
    differences: list[float]
    """Pa at the ports of each of the loop's transducers, in the loop's order."""

    def step(self, dt: float, command: float, weather: Weather) -> None: ...


class Shaft:
    """Stair B: 12 levels, one supply fan at the bottom, leakage into the corridors."""

    CURVE = Curve(shutoff_pa=250.0, droop=40.0, rated_rpm=1450.0)
    DUCT = 20.0
    """Pa for each (m3/s)2."""
    CRACKS_M2 = 0.16
    RELIEF_PA = 62.0
    """Pressure at which the barometric relief damper lifts."""
    RELIEF_M2_PER_PA = 0.006
    MIDDLE_M = 18.0
    """Height of its middle, where `pressure` is."""
    REACHES_S = 0.4

    def __init__(self, seed: int, heights_m: Sequence[float], quiet_s: float) -> None:
        self.faults: dict[str, float] = {}
        self.fan = Fan(self.CURVE, 1.5, 0.65)
        self.differences = [50.0] * len(heights_m)
        self._above = [height - self.MIDDLE_M for height in heights_m]
        self._pressure = Lag(50.0)
        self._relief = Lag(0.0)
        self._door = Door(uniforms(seed, "stair door"), quiet_s)
        self._whole = Wander(normals(seed, "stair"), 0.5, 1.5)
        self._local = [Wander(normals(seed, f"stair {k}"), 0.3, 0.5) for k in range(len(heights_m))]

    def step(self, dt: float, command: float, weather: Weather) -> None:
        speed = self.fan.step(dt, command)
        relief = max(0.0, self._pressure.value - self.RELIEF_PA) * self.RELIEF_M2_PER_PA
        area = self.CRACKS_M2 + self._relief.step(dt, relief, 1.5)
        door = self._door.step(dt, weather.hour)
        area += max(door, self.faults.get("door-held-open", 0.0)) + self.faults.get("leak", 0.0)
        resistance = self.CURVE.droop + self.DUCT * self.faults.get("filter-blocked", 1.0)
        # The damper of a stopped fan shuts, so that the wind stays out.
        wind = weather.wind_pa * (0.4 if command > 0.0 else 0.05)
        settled = settled_pressure(self.CURVE.head(speed) + wind, resistance, area)
        pressure = self._pressure.step(dt, settled, self.REACHES_S)
        rough = 0.2 + speed
        pressure += self._whole.step(dt) * rough
        # Supply air makes the stair cooler than the corridors in winter: less pressure higher up.
        inside = INDOOR_C - 0.3 * (INDOOR_C - weather.outside_C)
        slope = stack_pa(INDOOR_C, inside, 1.0)
        for k, above in enumerate(self._above):
            self.differences[k] = pressure + slope * above + self._local[k].step(dt) * rough


class Duct:
    """Air handler 1: a supply duct whose boxes throttle with the rooms' demand."""

    CURVE = Curve(shutoff_pa=900.0, droop=14.0, rated_rpm=1750.0)
    TRUNK = 9.0
    BRANCH = 1.8
    """Pa for each (m3/s)2 between the first tapping and the last."""
    BOXES_M2 = 0.226
    REACHES_S = 0.6

    def __init__(self, seed: int, places: int) -> None:
        self.faults: dict[str, float] = {}
        self.fan = Fan(self.CURVE, 2.5, 0.75)
        self.differences = [250.0] * places
        self._pressure = Lag(250.0)
        self._demand = Wander(normals(seed, "demand"), 0.10, 900.0)
        self._whole = Wander(normals(seed, "duct"), 1.5, 1.0)
        self._local = [Wander(normals(seed, f"duct {k}"), 1.6, 0.5) for k in range(places)]

    def step(self, dt: float, command: float, weather: Weather) -> None:
        speed = self.fan.step(dt, command)
        hour = 0.2 * sin(2.0 * pi * (weather.time / DAY_S - 0.25))
        demand = min(1.35, max(0.5, 1.0 + hour + self._demand.step(dt)))
        area = self.BOXES_M2 * demand + self.faults.get("leak", 0.0)
        trunk = self.CURVE.droop + self.TRUNK * self.faults.get("filter-blocked", 1.0)
        wind = weather.wind_pa * (0.2 if command > 0.0 else 0.01)
        head = self.CURVE.head(speed) + wind
        end = settled_pressure(head, trunk + self.BRANCH, area)
        pressure = self._pressure.step(dt, end, self.REACHES_S)
        friction = self.BRANCH * conductance(area) ** 2 * pressure
        rough = speed * speed * 1.8
        pressure += self._whole.step(dt) * rough
        last = len(self.differences) - 1
        for k, local in enumerate(self._local):
            upstream = friction * (last - k) / max(1, last)
            self.differences[k] = pressure + upstream + local.step(dt) * rough


class Plenum:
    """Exhaust plenum: one fan draws from it, branches with gates feed it; pressure is negative."""

    CURVE = Curve(shutoff_pa=800.0, droop=44.0, rated_rpm=2900.0)
    STACK_DUCT = 30.0
    ALWAYS_M2 = 0.068
    GATE_M2 = 0.017
    INLET = 1.5
    """Pa of velocity pressure at the place next to the fan, for each (m3/s)2."""
    REACHES_S = 0.5

    def __init__(self, seed: int, places: int) -> None:
        self.faults: dict[str, float] = {}
        self.fan = Fan(self.CURVE, 2.0, 0.7)
        self.differences = [-200.0] * places
        self._suction = Lag(200.0)
        self._gates = Gates(seed, "gates")
        self._whole = Wander(normals(seed, "plenum"), 1.2, 1.2)
        self._local = [Wander(normals(seed, f"plenum {k}"), 1.0, 0.5) for k in range(places)]

    def step(self, dt: float, command: float, weather: Weather) -> None:
        speed = self.fan.step(dt, command)
        area = self.ALWAYS_M2 + self.GATE_M2 * self._gates.step(dt) + self.faults.get("leak", 0.0)
        stack = self.STACK_DUCT * self.faults.get("filter-blocked", 1.0)
        wind = weather.wind_pa * (0.3 if command > 0.0 else 0.01)
        head = self.CURVE.head(speed) - wind
        suction = self._suction.step(
            dt, settled_pressure(head, self.CURVE.droop + stack, area), self.REACHES_S
        )
        rough = speed * speed * 2.0
        whole = -suction + self._whole.step(dt) * rough
        inlet = self.INLET * conductance(area) ** 2 * suction
        last = max(1, len(self.differences) - 1)
        for k, local in enumerate(self._local):
            self.differences[k] = whole - inlet * k / last + local.step(dt) * rough
