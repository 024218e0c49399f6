"""Air physics of the building: leakage, stack effect, weather, doors.

Formulas in SI units as smoke-control literature gives them (secondary texts). People and weather
are invented.
"""

from __future__ import annotations

from math import log, pi, sin, sqrt

from .noise import Draw, Wander, normals, uniforms

DENSITY = 1.2
"""kg/m3, air at 20 degC."""
ORIFICE = 0.65
"""Flow coefficient of cracks and openings."""
ZERO_C = 273.15
STACK = 3460.0
"""Pa K/m; the usual rounded constant."""
INDOOR_C = 21.0
DAY_S = 86_400.0
YEAR_S = 365.25 * DAY_S


def stack_pa(outside_C: float, inside_C: float, above_m: float) -> float:
    """Pressure inside relative to outside, Pa, at a height above the neutral plane."""
    return STACK * (1.0 / (outside_C + ZERO_C) - 1.0 / (inside_C + ZERO_C)) * above_m


def conductance(area_m2: float) -> float:
    """m3/s for each square root of a pascal through openings of this area."""
    return ORIFICE * area_m2 * sqrt(2.0 / DENSITY)


def settled_pressure(head_pa: float, resistance: float, area_m2: float) -> float:
    """Pressure behind a fan once air is in balance, Pa.

    The head is spent in resistance x Q2 (fan droop, duct, filter) and then through the openings:
    head - resistance Q2 = dP with Q2 = K2 dP. Symmetrical for air driven backwards.
    """
    return head_pa / (1.0 + resistance * conductance(area_m2) ** 2)


class Weather:
    """Outdoor temperature by season, hour and chance; wind with gusts.

    time: seconds since 1970 UTC; it sets season and hour.
    """

    def __init__(self, seed: int, time: float) -> None:
        self.time = time
        self.outside_C = 0.0
        self.wind_pa = 0.0
        """Pressure of the wind on an opening that faces it, Pa."""
        self._spell = Wander(normals(seed, "spell"), 2.5, DAY_S)
        self._breeze = Wander(normals(seed, "breeze"), 1.5, 2400.0)
        self._gust = Wander(normals(seed, "gust"), 0.2, 4.0)
        self.step(0.0)

    def step(self, dt: float) -> None:
        self.time += dt
        # Coldest towards the end of January and at five in the morning (common practice).
        season = -9.0 * sin(2.0 * pi * (self.time / YEAR_S + 0.18))
        hour = -4.0 * sin(2.0 * pi * (self.time / DAY_S + 1.0 / 24.0))
        self.outside_C = 11.0 + season + hour + self._spell.step(dt)
        speed = max(0.0, 4.0 + self._breeze.step(dt)) * (1.0 + self._gust.step(dt))
        self.wind_pa = 0.5 * 0.5 * DENSITY * speed * speed

    @property
    def hour(self) -> float:
        """Hour of the day, 0 to 24."""
        return self.time % DAY_S / 3600.0


class Door:
    """A door that people go through: opens, is held, and its closer pulls it shut.

    quiet_s: seconds before anyone comes.
    """

    OPENS_S = 1.0
    CLOSES_S = 3.5
    PASSAGE_M2 = 0.9
    """Free opening while someone stands in it."""

    def __init__(self, draw: Draw, quiet_s: float) -> None:
        self._draw = draw
        self._shut_for = quiet_s
        self._open_for = 0.0
        self._share = 0.0

    def step(self, dt: float, hour: float) -> float:
        """Free opening, m2."""
        if self._open_for > 0.0:
            self._open_for -= dt
            self._share = min(1.0, self._share + dt / self.OPENS_S)
        elif self._share > 0.0:
            self._share = max(0.0, self._share - dt / self.CLOSES_S)
        else:
            self._shut_for -= dt
            if self._shut_for <= 0.0:
                self._next(hour)
        return self.PASSAGE_M2 * self._share

    def _next(self, hour: float) -> None:
        self._open_for = 1.5 + 2.5 * self._draw()
        mean = 400.0 if 7.0 <= hour < 19.0 else 1200.0
        self._shut_for = 15.0 - mean * log(1.0 - self._draw())


class Gates:
    """Branches of an exhaust system that people open and shut, one at a time."""

    COUNT = 6
    MEAN_S = 500.0
    MOVES_S = 4.0

    def __init__(self, seed: int, name: str) -> None:
        self._draw = uniforms(seed, name)
        self._open = 4
        self._share = float(self._open)
        self._wait = 60.0

    def step(self, dt: float) -> float:
        """How many are open, counting those on the move in part."""
        self._wait -= dt
        if self._wait <= 0.0:
            opens = self._draw() < (self.COUNT - self._open) / self.COUNT
            self._open += 1 if opens else -1
            self._wait = 20.0 - self.MEAN_S * log(1.0 - self._draw())
        change, most = self._open - self._share, dt / self.MOVES_S
        self._share += min(most, max(-most, change))
        return self._share
