"""The electrical signals a transducer can send, and where measurement ends and failure begins.

Band limits for 4-20 mA: NAMUR NE 43 (2003) as given in several secondary texts; the 2021 margins
are not public, so a site file may override every limit. Limits for live-zero voltages are the same
shares of span over a shunt (common practice, no source). Signals without a live zero have no
low-side failure band: 0 is a valid reading there.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf


@dataclass(frozen=True)
class Signal:
    """Electrical signal in `unit` ("mA" or "V").

    `low`/`high` are 0 and 100 % of span. At or below `failure_low`, and at or above
    `failure_high`, the device reports its own failure (or the wire is gone); `measure_low` to
    `measure_high` is measurement; what lies between is undefined. At or below `open_below` no
    working device can be, so the circuit is open; at or above `short_above` the supply reaches
    the input.
    """

    name: str
    unit: str
    low: float
    high: float
    open_below: float
    failure_low: float
    measure_low: float
    measure_high: float
    failure_high: float
    short_above: float

    @property
    def live_zero(self) -> bool:
        """True when 0 % of span is not electrical zero, so that a dead wire can be seen."""
        return self.low > 0


def _current(name: str, low: float) -> Signal:
    if low > 0:
        return Signal(name, "mA", low, 20.0, 1.0, 3.6, 3.8, 20.5, 21.0, 24.0)
    return Signal(name, "mA", low, 20.0, -inf, -inf, -inf, 20.5, 21.0, 24.0)


def _live_voltage(name: str, low: float, high: float) -> Signal:
    per_mA = low / 4.0
    return Signal(
        name, "V", low, high,
        open_below=1.0 * per_mA,
        failure_low=3.6 * per_mA,
        measure_low=3.8 * per_mA,
        measure_high=20.5 * per_mA,
        failure_high=21.0 * per_mA,
        short_above=24.0 * per_mA,
    )  # fmt: skip


def _plain_voltage(name: str, low: float, high: float) -> Signal:
    # No failure signal is defined; beyond 120 % of span only the supply can drive the input.
    above = high + 0.2 * (high - max(low, 0.0))
    return Signal(name, "V", low, high, -inf, -inf, -inf, inf, inf, above)


SIGNALS: dict[str, Signal] = {
    signal.name: signal
    for signal in (
        _current("4-20 mA", 4.0),
        _current("0-20 mA", 0.0),
        _plain_voltage("0-10 V", 0.0, 10.0),
        _live_voltage("2-10 V", 2.0, 10.0),
        _plain_voltage("0-5 V", 0.0, 5.0),
        _live_voltage("1-5 V", 1.0, 5.0),
        _plain_voltage("+/-10 V", -10.0, 10.0),
        _plain_voltage("+/-5 V", -5.0, 5.0),
    )
}
"""Every signal a site file may name. Ranges: IEC 60381-1 and -2 (2-10 V and +/-5 V: common
practice)."""
