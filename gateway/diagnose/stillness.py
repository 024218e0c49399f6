"""A transducer whose counts stand still while its loop moves: frozen, in its simple form."""

from __future__ import annotations

import numpy as np

from gateway.measure.blocks import Bools, Floats, Readings
from gateway.measure.columns import ABSENT, Columns
from gateway.measure.hold import column_time, forward_fill, shifted
from gateway.measure.quality import Quality

from .detector import Condition

STILL_S = 120.0
PEER_CHANGES = 30.0
"""Changes of a peer's counts meanwhile that make standing still unbelievable (common practice)."""


class Stillness:
    """frozen."""

    def __init__(self, columns: Columns) -> None:
        self._t = columns.transducers
        loops = columns.loops
        self._members = np.concatenate([*loops.members, np.zeros(0, dtype=np.int64)])
        sizes = [len(members) for members in loops.members]
        self._starts = np.cumsum([0, *sizes[:-1]]) if sizes else np.zeros(0, dtype=np.int64)
        # The first loop that uses a transducer gives its peers.
        self._loop = (
            np.where(loops.has.any(axis=0), loops.has.argmax(axis=0), ABSENT)
            if sizes
            else np.full(len(self._t.ids), ABSENT)
        )
        n = len(self._t.ids)
        self._counts: Floats = np.full(n, np.nan)
        self._moved: Floats = np.full(n, np.nan)
        self._changes: Floats = np.zeros(n)
        self._at_move: Floats = np.zeros(n)

    def examine(self, readings: Readings) -> tuple[Condition, ...]:
        """(R, T) condition; evidence: seconds without change, and its peers' changes meanwhile."""
        held = forward_fill(readings.counts, readings.fresh, self._counts)
        changed = readings.fresh & (held != shifted(held, self._counts))
        when = column_time(readings.time, len(self._counts))
        moved = forward_fill(when, changed, self._moved)
        changes = self._changes + np.cumsum(changed, axis=0)
        in_loop = self._loop_changes(changes)
        # Since it last moved it added nothing itself, so the difference is its peers' doing.
        at_move = forward_fill(in_loop, changed, self._at_move)
        self._counts, self._moved = held[-1], moved[-1]
        self._changes, self._at_move = changes[-1], at_move[-1]
        still, peers = when - moved, in_loop - at_move
        holds = (still >= STILL_S) & (peers >= PEER_CHANGES)
        known = readings.fresh & (readings.quality < Quality.BAD) & self._inside(readings)
        evidence = {"still_for_s": still, "peer_changes": peers}
        return (Condition("frozen", holds, known, evidence, confidence=0.9),)

    def _loop_changes(self, changes: Floats) -> Floats:
        """(R, T): changes of all transducers of the loop that each transducer belongs to."""
        if not len(self._starts):
            return np.zeros_like(changes)
        totals = np.add.reduceat(changes[:, self._members], self._starts, axis=1)
        return np.where(self._loop == ABSENT, 0.0, totals[:, self._loop])

    def _inside(self, readings: Readings) -> Bools:
        t = self._t
        step = np.abs(t.per_count)
        signal = readings.electrical
        inside: Bools = (signal > t.card_low + step) & (signal < t.card_high - step)
        return inside
