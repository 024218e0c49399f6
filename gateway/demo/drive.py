"""What a controller makes of its inputs: scaling, combining, PID, sleep, start and stop.

It has settings of its own, so that they can be wrong. Written apart from `gateway.measure`, as a
real controller is.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import median

from gateway.plant.transducers import Transducer
from gateway.plant.units import from_pa

from .pid import Pid

COMBINATIONS: dict[str, Callable[[Sequence[float]], float]] = {
    "average": lambda values: sum(values) / len(values),
    "minimum": min,
    "maximum": max,
    "median": median,
    "sum": sum,
    "difference": lambda values: values[0] - values[1],
    "single": lambda values: values[0],
}


class Input:
    """The setting of one analog input: counts to pressure in the controller's unit."""

    def __init__(self, noun: Transducer, unit: str) -> None:
        self.faults: dict[str, float] = {}
        card, signal = noun.input, noun.sends()
        width = card.counts[1] - card.counts[0]
        self._per = (card.electrical[1] - card.electrical[0]) / width
        self._at = card.electrical[0] - self._per * card.counts[0]
        if card.shunt_ohm:
            self._per *= 1000.0 / card.shunt_ohm
            self._at *= 1000.0 / card.shunt_ohm
        self._low, self._high = signal.low, signal.high
        self._ends = from_pa(noun.lrv_pa, unit), from_pa(noun.urv_pa, unit)
        self.value = 0.0

    def scale(self, counts: float) -> float:
        """The pressure it shows, in the controller's unit."""
        electrical = self._at + self._per * counts
        low, high, (lrv, urv) = self._low, self._high, self._ends
        if self.faults:
            electrical, low, high, lrv, urv = self._wrongly(electrical)
        self.value = lrv + (electrical - low) / (high - low) * (urv - lrv)
        return self.value

    def _wrongly(self, electrical: float) -> tuple[float, float, float, float, float]:
        """(electrical, low, high, LRV, URV) as the wrong settings have them."""
        faults, low, high, (lrv, urv) = self.faults, self._low, self._high, self._ends
        if "live-zero-mismatch" in faults:
            low = 0.2 * high if low == 0.0 else 0.0
        if "signal-mismatch" in faults:
            # Twice the shunt for current; 0-5 V taken for 0-10 V and the like.
            electrical *= 2.0
        if "range-mismatch" in faults:
            # The end further from zero is the one that is typed in wrongly.
            far = faults["range-mismatch"]
            lrv, urv = (far, urv) if abs(lrv) > abs(urv) else (lrv, far)
        if "percent-for-value" in faults:
            lrv, urv = 0.0, 100.0
        factor = faults.get("unit-mismatch", 1.0)
        return electrical, low, high, lrv * factor, urv * factor


@dataclass(frozen=True)
class Tuning:
    """Of a drive's PID and of its rests. Shares are of full output.

    gain in output share for each share of span; every `stop_every_s` it rests for `stop_for_s`,
    first `stop_after_s` after the start.
    """

    gain: float
    integral_s: float
    ramp_per_s: float
    lowest: float
    stop_after_s: float
    stop_every_s: float
    stop_for_s: float
    derivative_s: float = 0.0
    sleep_after_s: float = 90.0
    wake_error: float = 0.04


class Drive:
    """One controller with one loop. `command` is the share of full speed it gives the fan."""

    def __init__(
        self, inputs: Sequence[Input], combine: str, span: float, setpoint: float, *,
        rises_below: bool, tuning: Tuning, command: float,
    ) -> None:  # fmt: skip
        self.faults: dict[str, float] = {}
        self.inputs = inputs
        self.combine = combine
        self.tuning = tuning
        self.command = command
        self.running, self.sleeping = True, False
        self.feedback = self.setpoint = setpoint
        self.elapsed = self.run_time = 0.0
        self._span, self._setting = span, setpoint
        self._sign = 1.0 if rises_below else -1.0
        self._low_for = self._wants_for = 0.0
        self._pid = Pid(tuning.gain, tuning.integral_s, tuning.derivative_s, tuning.lowest, 1.0)
        self._pid.restart(command)

    def step(self, dt: float, counts: Sequence[float]) -> None:
        """Read the inputs and set `command`."""
        faults = self.faults
        values = [one.scale(n) for one, n in zip(self.inputs, counts, strict=True)]
        self.feedback = COMBINATIONS[self._combination()](values)
        self.setpoint = self._setting
        for kind in ("setpoint-outside-range", "setpoint-above-safe-limit"):
            self.setpoint = faults.get(kind, self.setpoint)
        error = self._sign * (self.setpoint - self.feedback) / self._span
        if "action-reversed" in faults:
            error = -error
        self.elapsed += dt
        self._rest(dt, error)
        if not self.running or self.sleeping:
            self.command = 0.0
            return
        self.run_time += dt
        self._pid.integral_s = self.tuning.integral_s / faults.get("hunting", 1.0)
        wanted = self._pid.step(dt, error, self.command)
        most = self.tuning.ramp_per_s * dt
        self.command += min(most, max(-most, wanted - self.command))

    def _combination(self) -> str:
        chosen = self.faults.get("combination-mismatch")
        return self.combine if chosen is None else tuple(COMBINATIONS)[int(chosen)]

    def _rest(self, dt: float, error: float) -> None:
        """Start, stop, sleep and wake."""
        tuning, was = self.tuning, self.running and not self.sleeping
        due = self.elapsed - tuning.stop_after_s
        stopped = due >= 0.0 and due % tuning.stop_every_s < tuning.stop_for_s
        self.running = not stopped and "fan-stopped" not in self.faults
        # Set too eagerly it sleeps at any speed, and the pressure falls away.
        eager = "sleep-cycling" in self.faults
        level, after = (1.0, 15.0) if eager else (tuning.lowest + 0.005, tuning.sleep_after_s)
        if not self.running:
            self.sleeping, self._low_for = False, 0.0
        elif self.sleeping:
            self._wants_for = self._wants_for + dt if error > tuning.wake_error else 0.0
            self.sleeping = self._wants_for < 3.0
        else:
            satisfied = self.command <= level and error < 0.5 * tuning.wake_error
            self._low_for = self._low_for + dt if satisfied else 0.0
            self.sleeping = self._low_for >= after
            self._wants_for = 0.0
        if self.running and not self.sleeping and not was:
            self.command = tuning.lowest
            self._low_for = 0.0
            self._pid.restart(tuning.lowest)
