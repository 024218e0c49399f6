"""From the air to the terminals: the tubes of a transducer and the transducer itself.

Every part holds its switched-on faults, kind -> size; without any it takes the short way.
"""

from __future__ import annotations

from gateway.plant.signals import Signal
from gateway.plant.transducers import Transducer
from gateway.plant.units import to_pa

from .building import INDOOR_C, YEAR_S
from .noise import Lag, Wander, normals, uniforms

HOUR_S = 3600.0


class Tube:
    """Pressure difference at the ports of the device, from that at the tappings."""

    USUAL_S = 0.15
    """Time constant of a few metres of clear tube."""

    def __init__(self, seed: int, name: str, difference_pa: float, unit: str = "Pa") -> None:
        self.faults: dict[str, float] = {}
        self._unit = unit
        self._lag = Lag(difference_pa)
        self._draught = Wander(normals(seed, f"{name} draught"), 0.4, 8.0)
        self._slosh = Wander(normals(seed, f"{name} slosh"), 0.06, 40.0)

    def step(self, dt: float, difference_pa: float) -> float:
        """Pa between high and low port."""
        faults = self.faults
        if not faults:
            return self._lag.step(dt, difference_pa, self.USUAL_S)
        if "calibrator" in faults:
            # On the ports themselves: the tubes, and what is wrong with them, hang aside.
            return self._lag.step(dt, to_pa(faults["calibrator"], self._unit), self.USUAL_S)
        arrived = self._lag.step(dt, difference_pa, faults.get("tube-restricted", self.USUAL_S))
        if "liquid-in-tube" in faults:
            arrived += faults["liquid-in-tube"] * (1.0 + self._slosh.step(dt))
        if "tube-off" in faults:
            # The high port stands open to the room, where the low port's air comes from too.
            arrived = self._draught.step(dt)
        return -arrived if "ports-swapped" in faults else arrived


class Device:
    """The transducer: damping, its own small errors, noise, and the signal it can send.

    Its errors are drawn once, inside its accuracy statement, and wander within its thermal one.
    """

    DAMPING_S = 0.3
    HEADROOM_V = 2.0
    """A voltage output ends this far below its supply."""
    LIFT_OFF_V, LOOP_OHM = 12.0, 550.0
    """A two-wire device needs the one; the other stands in its loop."""
    SPIKES_EVERY_S, SPIKE_S = 20.0, 1.0

    def __init__(
        self, seed: int, name: str, noun: Transducer, time: float, start_pa: float
    ) -> None:
        self.faults: dict[str, float] = {}
        self._signal = signal = noun.sends()
        self._lrv, self._span = noun.lrv_pa, noun.span_pa
        self._least, self._most = _ends(signal)
        draw, chance = normals(seed, f"{name} device"), uniforms(seed, f"{name} make")
        percent = self._span / 100.0
        accuracy = noun.accuracy_pct_span * percent
        self._zero = 0.35 * accuracy * (2.0 * chance() - 1.0)
        self._gain = 1.0 + 0.25 * accuracy / self._span * (2.0 * chance() - 1.0)
        ageing = 0.3 * noun.stability_pct_span_per_year * percent * (2.0 * chance() - 1.0)
        if noun.calibrated is not None:
            since = time / YEAR_S - (noun.calibrated.toordinal() - 719_163) / 365.25
            self._zero += ageing * max(0.0, since)
        self._per_K = noun.thermal_pct_span_per_K * percent * (1.4 * chance() - 0.7)
        self._warmth = Wander(normals(seed, f"{name} warmth"), 1.5, 3.0 * HOUR_S)
        self._draw, self._chance = draw, chance
        self._noise_pa = 0.0004 * self._span
        self._lag = Lag(start_pa)
        self._drifted_pa = self._spike_pa = self._spike_left = 0.0
        self.sent = self._electrical(start_pa)

    def step(self, dt: float, difference_pa: float, outside_C: float) -> float:
        """Signal that it sends, mA or V."""
        warm = self._warmth.step(dt) + 0.15 * (outside_C - INDOOR_C + 10.0)
        damped = self._lag.step(dt, difference_pa, self.DAMPING_S)
        reads = damped * self._gain + self._zero + self._per_K * warm
        reads += self._noise_pa * self._draw()
        if not self.faults:
            self._drifted_pa = 0.0
            self.sent = self._electrical(reads)
        else:
            self.sent = self._faulty(dt, reads)
        return self.sent

    def _electrical(self, reads_pa: float) -> float:
        signal = self._signal
        sent = signal.low + (reads_pa - self._lrv) / self._span * (signal.high - signal.low)
        return min(self._most, max(self._least, sent))

    def _faulty(self, dt: float, reads: float) -> float:
        faults = self.faults
        if "device-failure-signal" in faults:
            return faults["device-failure-signal"]
        if "device-stuck" in faults:
            return self.sent
        reads *= 1.0 + faults.get("span-drift", 0.0) / 100.0
        rate = faults.get("zero-drift")
        self._drifted_pa = 0.0 if rate is None else self._drifted_pa + rate * dt / HOUR_S
        reads += faults.get("zero-shift", 0.0) + self._drifted_pa
        if "excess-noise" in faults:
            reads += faults["excess-noise"] * self._draw()
        if "spikes" in faults:
            reads += self._spike(dt, faults["spikes"])
        sent = self._electrical(reads)
        return min(sent, self._ceiling(faults["flat-top"])) if "flat-top" in faults else sent

    def _spike(self, dt: float, size_pa: float) -> float:
        self._spike_left -= dt
        if self._spike_left > 0.0:
            return self._spike_pa
        if self._chance() >= dt / self.SPIKES_EVERY_S:
            return 0.0
        self._spike_left = self.SPIKE_S
        self._spike_pa = size_pa * (0.6 + 0.8 * self._chance())
        return self._spike_pa

    def _ceiling(self, supply_V: float) -> float:
        """Highest signal, mA or V, that the supply can drive; it ripples with the supply."""
        supply = supply_V + 0.004 * self._draw()
        if self._signal.unit == "mA":
            return max(0.0, 1000.0 * (supply - self.LIFT_OFF_V) / self.LOOP_OHM)
        return max(0.0, supply - self.HEADROOM_V)


def _ends(signal: Signal) -> tuple[float, float]:
    """Where a working output stops, mA or V: a little beyond 0 and 100 %, inside measurement.

    A true zero cannot go below zero at all.
    """
    width = signal.high - signal.low
    least = signal.low - 0.03 * width if signal.low < 0.0 else 0.0
    if signal.live_zero:
        least = signal.measure_low + 0.0025 * width
    return least, min(signal.measure_high - 0.0025 * width, signal.high + 0.04 * width)
