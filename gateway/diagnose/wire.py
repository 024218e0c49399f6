"""The electrical signal: open, shorted, failing, or in the band between."""

from __future__ import annotations

import numpy as np

from gateway.measure.blocks import Floats, Readings
from gateway.measure.columns import TransducerColumns
from gateway.measure.quality import Reason

from .detector import Condition


def supply_level(t: TransducerColumns) -> Floats:
    """(T,) mA or V from which only the supply can drive the input; infinite if it can't be shown.

    An input that ends between the device's highest failure signal (about 23 mA; 115 % of a live
    zero's span) and the level itself shows a short as its own end (common practice, no source).
    """
    beyond_device = t.failure_high + 0.1 * (t.signal_high - t.signal_low)
    can_show = t.card_high >= np.where(np.isfinite(beyond_device), beyond_device, t.short_above)
    return np.where(can_show, np.minimum(t.short_above, t.card_high - t.step), np.inf)


class Bands:
    """open-circuit, short-circuit, device-failure-signal and signal-undefined-band."""

    def __init__(self, t: TransducerColumns) -> None:
        self._t = t
        self._supply = supply_level(t)

    def examine(self, readings: Readings) -> tuple[Condition, ...]:
        """(R, T) conditions; evidence: the signal in mA or V and the limit it passed."""
        t, signal, known = self._t, readings.electrical, readings.fresh
        opened = signal <= t.open_below
        shorted = signal >= self._supply
        low = (signal <= t.failure_low) & ~opened
        high = (signal >= t.failure_high) & ~shorted
        between = readings.reasons == Reason.UNDEFINED_BAND
        span = t.signal_high - t.signal_low
        percent = 100 * (signal - t.signal_low) / span
        evidence = {"electrical_signal": signal, "percent_of_span": percent}
        limit = np.where(low, t.failure_low, t.failure_high)
        return (
            Condition("open-circuit", opened, known, evidence, confidence=0.95),
            Condition("short-circuit", shorted, known, evidence, confidence=0.9),
            Condition(
                "device-failure-signal", low | high, known,
                {**evidence, "failure_limit_signal": limit}, confidence=0.9,
            ),
            Condition("signal-undefined-band", between, known, evidence, confidence=0.8),
        )  # fmt: skip
