"""The controllers: whether they answer, rightly, and with values that move."""

from __future__ import annotations

import numpy as np

from gateway.measure.blocks import Bools, Floats, Readings
from gateway.measure.columns import ABSENT, Columns
from gateway.measure.hold import column_time, forward_fill, last, shifted
from gateway.measure.quality import Reason

from .detector import Condition
from .reach import Belonging

HEARTBEAT_S = 10.0
"""A heartbeat that stands still longer is stale (the site file promises this)."""
STILL_S = 120.0
"""All values of a controller equal for this long are stale (common practice, no source)."""


class Answers:
    """no-communication and bad-reply."""

    def examine(self, readings: Readings) -> tuple[Condition, ...]:
        """(R, C) conditions straight from the link reasons."""
        return (
            Condition(
                "no-communication", readings.link == Reason.NO_COMMUNICATION, readings.polled
            ),
            Condition("bad-reply", readings.link == Reason.BAD_REPLY, readings.polled),
        )


class Movement:
    """stale-data: everything a controller says stands still."""

    def __init__(self, columns: Columns) -> None:
        self._columns = columns
        each = np.arange(len(columns.controllers.ids))[:, None]
        self._points = Belonging(columns.points.controller == each)
        self._inputs = Belonging(columns.transducers.controller == each)
        self._value: Floats = np.full(len(columns.points.refs), np.nan)
        self._moved: Floats = np.full(len(columns.controllers.ids), np.nan)
        self._beat: Floats = np.full(len(columns.controllers.ids), np.nan)

    def examine(self, readings: Readings) -> tuple[Condition, ...]:
        """(R, C) condition; evidence: seconds without any change."""
        c = self._columns.controllers
        n = len(c.ids)
        fresh = readings.point_fresh
        held = forward_fill(readings.points, fresh, self._value)
        changed = fresh & (held != shifted(held, self._value))
        when = column_time(readings.time, n)
        any_change = self._points.count(changed) > 0
        beat = np.zeros((len(readings), n), dtype=np.bool_)
        named = c.heartbeat != ABSENT
        beat[:, named] = changed[:, c.heartbeat[named]]
        moved = forward_fill(when, any_change, self._moved)
        beaten = forward_fill(when, beat, self._beat)
        self._value, self._moved, self._beat = last(held), last(moved), last(beaten)
        has_beat = c.heartbeat != ABSENT
        still = when - np.where(has_beat, beaten, moved)
        # A slow poll must be given time to bring a change at all.
        allowed = np.where(has_beat, HEARTBEAT_S, STILL_S) + 3 * c.interval
        known = readings.polled & (readings.link == Reason.NONE)
        known &= has_beat | self._could_move(readings)
        return (Condition("stale-data", still > allowed, known, evidence={"still_for_s": still}),)

    def _could_move(self, readings: Readings) -> Bools:
        """(R, C) True where some input of the controller is away from the ends of its card."""
        t = self._columns.transducers
        inside = (readings.electrical > t.card_low + t.step) & (
            readings.electrical < t.card_high - t.step
        )
        return self._inputs.count(inside) > 0
