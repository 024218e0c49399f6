"""Exchanged signal wires, on the few inputs that can show them."""

from __future__ import annotations

import numpy as np

from gateway.measure.blocks import Readings
from gateway.measure.columns import TransducerColumns

from .detector import Condition

BELOW = 0.05
"""Share of the signal's span below zero that no offset of an input explains (common practice)."""


class Polarity:
    """reversed-polarity."""

    def __init__(self, t: TransducerColumns) -> None:
        # A signal of both signs may rightly be negative; an input that stops at zero shows zero.
        one_sign = (t.signal_low >= 0) & (t.card_low < 0)
        limit = -BELOW * (t.signal_high - t.signal_low)
        self._limit = np.where(one_sign, limit, -np.inf)

    def examine(self, readings: Readings) -> tuple[Condition, ...]:
        """(R, T) condition; evidence: the signal in mA or V."""
        signal = readings.electrical
        evidence = {"electrical_signal": signal}
        return (
            Condition(
                "reversed-polarity", signal < self._limit, readings.fresh, evidence, confidence=0.9
            ),
        )
