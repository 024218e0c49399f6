"""A fan: its curve, the affinity laws, and how quickly it follows its drive.

Affinity laws (from memory, any fan text): at one system curve and one density flow goes with
speed, pressure with its square, power with its cube.
"""

from __future__ import annotations

from dataclasses import dataclass

from .noise import Lag


@dataclass(frozen=True)
class Curve:
    """Pressure = shutoff_pa at rated speed and no flow, less droop x flow squared."""

    shutoff_pa: float
    droop: float
    """Pa for each (m3/s)2; affinity leaves it the same at every speed."""
    rated_rpm: float

    def head(self, speed: float) -> float:
        """Pressure at no flow, Pa, at a share of rated speed."""
        return self.shutoff_pa * speed * speed

    def pressure(self, speed: float, flow: float) -> float:
        """Pressure across the fan, Pa, at a share of rated speed and a flow in m3/s."""
        return self.head(speed) - self.droop * flow * flow


class Fan:
    """A running fan: follows its drive through its own inertia."""

    COASTS_S = 4.0

    def __init__(self, curve: Curve, inertia_s: float, speed: float) -> None:
        self.curve = curve
        self._inertia_s = inertia_s
        self._speed = Lag(speed)

    @property
    def speed(self) -> float:
        """Share of rated speed."""
        return self._speed.value

    def step(self, dt: float, command: float) -> float:
        """Speed after dt seconds, as a share of rated, with the drive at `command` (0: off)."""
        return self._speed.step(dt, command, self._inertia_s if command > 0.0 else self.COASTS_S)
