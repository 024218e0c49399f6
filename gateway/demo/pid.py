"""A proportional-integral-derivative controller with limits that do not wind it up."""

from __future__ import annotations


class Pid:
    """Works in shares: of span for the error, of full output for its output.

    gain: output share for each share of error; integral_s, derivative_s: seconds; low, high:
    output limits. The integral stands still while the output is at a limit and the error would
    push it further.
    """

    def __init__(
        self, gain: float, integral_s: float, derivative_s: float, low: float, high: float
    ) -> None:
        self.gain = gain
        self.integral_s = integral_s
        self.derivative_s = derivative_s
        self.low = low
        self.high = high
        self.integral = low
        self._before: float | None = None

    def step(self, dt: float, error: float, reached: float) -> float:
        """Output share; `reached` is what the drive's own ramp made of the last output."""
        slope = 0.0 if self._before is None else (error - self._before) / dt
        self._before = error
        wanted = self.integral + self.gain * (error + self.derivative_s * slope)
        # Behind a ramp the output is not obeyed at once either: pushing on would wind up too.
        behind = wanted - reached
        held = (wanted >= self.high or behind > self.RAMP_SLACK) and error > 0.0
        held = held or ((wanted <= self.low or behind < -self.RAMP_SLACK) and error < 0.0)
        if not held:
            self.integral += self.gain * error * dt / self.integral_s
            self.integral = min(self.high, max(self.low, self.integral))
        return min(self.high, max(self.low, wanted))

    def restart(self, output: float) -> None:
        """Forget the past and go on from `output`."""
        self.integral = min(self.high, max(self.low, output))
        self._before = None

    RAMP_SLACK = 0.15
    """Share by which the ramp may lag behind before the integral waits for it."""
